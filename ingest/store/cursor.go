package store

import (
	"errors"
	"fmt"
	"math"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// A cursor reads the frames of one node in order of time, rows and blocks
// together. It holds one block unpacked.
type cursor struct {
	nodeKey
	file     string
	unpack   *blockDecoder
	from, to greywatt.Instant // both inclusive

	rows, blocks *sqlite.Stmt     // nil at their end
	row          greywatt.Frame   // the next row, if rows is not nil
	block        blockRef         // the next block, if blocks is not nil
	data         []byte           // its bytes
	buf, merged  []greywatt.Frame // reused
	head         []greywatt.Frame // read and not yet taken by the caller
}

// A blockRef is a row of table block without its data.
type blockRef struct {
	id          int64
	first, last greywatt.Instant
	frames      int
}

const (
	// A node's blocks do not overlap, so of those that begin before a time only
	// the last can reach it.
	selectBlocks = `FROM block WHERE node = ?1
		AND first_us >= ifnull((SELECT max(first_us) FROM block WHERE node = ?1 AND first_us <= ?2), ?2)
		AND first_us <= ?3 AND last_us >= ?2 ORDER BY first_us`
	selectRows = "SELECT at_us, waste_in, waste_out, cold_in, preheat_out, flow, ambient, waste_flow FROM frame WHERE node = ? AND at_us BETWEEN ? AND ? ORDER BY at_us"
)

// openCursor opens a cursor over the frames in blocks from from to to and those
// in rows from from to rowsTo, all inclusive.
func (s *Store) openCursor(c *sqlite.Conn, dec *blockDecoder, id int64, k nodeKey, from, to, rowsTo greywatt.Instant) (*cursor, error) {
	cur := &cursor{nodeKey: k, file: s.path, unpack: dec, from: from, to: to}
	// Not Prepare, which gives every cursor of the connection the same statement.
	for _, q := range []struct {
		stmt **sqlite.Stmt
		sql  string
		to   greywatt.Instant
	}{{&cur.rows, selectRows, rowsTo}, {&cur.blocks, "SELECT id, first_us, last_us, frames, data " + selectBlocks, to}} {
		stmt, _, err := c.PrepareTransient(q.sql)
		if err != nil {
			return cur, err
		}
		stmt.BindInt64(1, id)
		stmt.BindInt64(2, int64(from))
		stmt.BindInt64(3, int64(q.to))
		*q.stmt = stmt
	}
	return cur, errors.Join(cur.nextRow(), cur.nextBlock())
}

func (cur *cursor) close() {
	for _, stmt := range []**sqlite.Stmt{&cur.rows, &cur.blocks} {
		if *stmt != nil {
			(*stmt).Finalize()
			*stmt = nil
		}
	}
}

func (cur *cursor) nextRow() error {
	more, err := cur.rows.Step()
	if err != nil {
		return err
	}
	if !more {
		err := cur.rows.Finalize()
		cur.rows = nil
		return err
	}
	cur.row.At, cur.row.Node = instant(cur.rows, 0), cur.node
	readValues(cur.rows, 1, &cur.row.Value)
	return nil
}

func (cur *cursor) nextBlock() error {
	more, err := cur.blocks.Step()
	if err != nil {
		return err
	}
	if !more {
		err := cur.blocks.Finalize()
		cur.blocks = nil
		return err
	}
	cur.block = readRef(cur.blocks)
	n := cur.blocks.ColumnLen(4)
	if cap(cur.data) < n {
		cur.data = make([]byte, n)
	}
	cur.data = cur.data[:n]
	cur.blocks.ColumnBytes(4, cur.data)
	return nil
}

func readRef(r *sqlite.Stmt) blockRef {
	return blockRef{id: r.ColumnInt64(0), first: instant(r, 1), last: instant(r, 2), frames: r.ColumnInt(3)}
}

// next returns some of the next frames, none at the end. They are valid until
// the next call. After a *ingest.CorruptError, which stands for a block that cannot be
// unpacked, the next call goes on behind it.
func (cur *cursor) next() ([]greywatt.Frame, error) {
	until := cur.to
	if cur.blocks != nil {
		until = cur.block.first - 1
	}
	cur.merged = cur.merged[:0]
	for cur.rows != nil && cur.row.At <= until && len(cur.merged) < scanRows {
		cur.merged = append(cur.merged, cur.row)
		if err := cur.nextRow(); err != nil {
			return nil, err
		}
	}
	if len(cur.merged) > 0 || cur.blocks == nil {
		return cur.merged, nil
	}
	ref := cur.block
	frames, damage := cur.unpackBlock()
	if err := cur.nextBlock(); err != nil {
		return nil, err
	}
	if damage != nil {
		return nil, damage
	}
	if cur.rows == nil || cur.row.At > ref.last {
		if len(frames) == 0 {
			return cur.next()
		}
		return frames, nil
	}
	for len(frames) > 0 || cur.rows != nil && cur.row.At <= ref.last {
		if cur.rows == nil || cur.row.At > ref.last {
			cur.merged = append(cur.merged, frames...)
			break
		}
		if len(frames) > 0 && frames[0].At <= cur.row.At {
			same := frames[0].At == cur.row.At
			cur.merged = append(cur.merged, frames[0])
			frames = frames[1:]
			if !same {
				continue
			}
			overlay(&cur.merged[len(cur.merged)-1].Value, &cur.row.Value)
		} else {
			cur.merged = append(cur.merged, cur.row)
		}
		if err := cur.nextRow(); err != nil {
			return nil, err
		}
	}
	return cur.merged, nil
}

// unpackBlock returns the frames of the current block that lie between from
// and to.
func (cur *cursor) unpackBlock() ([]greywatt.Frame, error) {
	var err error
	cur.buf, err = cur.unpack.block(cur.buf[:0], cur.data, cur.block, cur.node)
	if err != nil {
		return nil, &ingest.CorruptError{File: cur.file, Dwelling: cur.dwelling, Node: cur.node, From: cur.block.first, To: cur.block.last, Err: err}
	}
	frames := cur.buf
	for len(frames) > 0 && frames[0].At < cur.from {
		frames = frames[1:]
	}
	for len(frames) > 0 && frames[len(frames)-1].At > cur.to {
		frames = frames[:len(frames)-1]
	}
	return frames, nil
}

// block unpacks the data of the block that ref describes.
func (d *blockDecoder) block(dst []greywatt.Frame, data []byte, ref blockRef, node string) ([]greywatt.Frame, error) {
	dst, err := d.decode(dst, data, node)
	if err != nil {
		return dst, err
	}
	if n := len(dst); n != ref.frames || dst[0].At != ref.first || dst[n-1].At != ref.last {
		return dst, fmt.Errorf("block has %d frames from %s to %s, its row says %d", n, dst[0].At, dst[n-1].At, ref.frames)
	}
	return dst, nil
}

// overlay puts the values of over into v.
func overlay(v, over *greywatt.Values) {
	for i, x := range over {
		if !math.IsNaN(x) {
			v[i] = x
		}
	}
}
