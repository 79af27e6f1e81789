package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"hash/crc32"
	"math"
	"slices"

	"greywatt"

	"zombiezen.com/go/sqlite"
)

// A Fingerprint stands for what the store holds of a dwelling over a time: as
// long as that of the same time is the same, so are the frames. Frames that are
// only packed in another way may have another.
type Fingerprint [sha256.Size]byte

// Fingerprints returns one of each time between neighbouring bounds, which
// ascend: from the one (inclusive) to the next (exclusive). All are of one
// moment. Rows are read for it; of blocks only their index, but for those whose id
// does not say what is in them, see [blockID].
func (s *Store) Fingerprints(ctx context.Context, dwelling string, bounds []greywatt.Instant) ([]Fingerprint, error) {
	if len(bounds) < 2 {
		return nil, nil
	}
	p := printer{bounds: bounds, of: make([]hash.Hash, len(bounds)-1)}
	for i := range p.of {
		p.of[i] = sha256.New()
	}
	err := s.read(ctx, func(c *sqlite.Conn) error {
		p.c = c
		return query(c, "SELECT n.id, n.name FROM node n JOIN dwelling d ON d.id = n.dwelling WHERE d.name = ? AND n.frames > 0 ORDER BY n.name",
			func(r *sqlite.Stmt) error { return p.node(r.ColumnInt64(0), r.ColumnText(1)) }, dwelling)
	})
	if err != nil {
		return nil, err
	}
	out := make([]Fingerprint, len(p.of))
	for i, h := range p.of {
		h.Sum(out[i][:0])
	}
	return out, nil
}

// A printer makes the fingerprints between its bounds.
type printer struct {
	c      *sqlite.Conn
	bounds []greywatt.Instant
	of     []hash.Hash
	buf    []byte
}

// node adds what there is of a node.
func (p *printer) node(id int64, name string) error {
	from, to := p.bounds[0], p.bounds[len(p.bounds)-1]-1
	err := query(p.c, "SELECT id, first_us, last_us, frames "+selectBlocks, func(r *sqlite.Stmt) error {
		ref := readRef(r)
		p.begin('b', name)
		for _, v := range []int64{ref.id, int64(ref.first), int64(ref.last), int64(ref.frames)} {
			p.buf = binary.BigEndian.AppendUint64(p.buf, uint64(v))
		}
		if !saysContent(ref.id) {
			sum, err := p.sum(ref.id)
			if err != nil {
				return err
			}
			p.buf = append(p.buf, sum[:]...)
		}
		p.write(ref.first, ref.last)
		return nil
	}, id, from, to)
	if err != nil {
		return err
	}
	return query(p.c, selectRows, func(r *sqlite.Stmt) error {
		var v greywatt.Values
		at := instant(r, 0)
		readValues(r, 1, &v)
		p.begin('r', name)
		p.buf = binary.BigEndian.AppendUint64(p.buf, uint64(at))
		for _, x := range v {
			p.buf = binary.BigEndian.AppendUint64(p.buf, math.Float64bits(x))
		}
		p.write(at, at)
		return nil
	}, id, from, to)
}

func (p *printer) begin(kind byte, name string) {
	p.buf = append(p.buf[:0], kind)
	p.buf = binary.AppendUvarint(p.buf, uint64(len(name)))
	p.buf = append(p.buf, name...)
}

// write adds what is in buf to all times that share an instant with the time from
// first to last.
func (p *printer) write(first, last greywatt.Instant) {
	i, found := slices.BinarySearch(p.bounds, first)
	if !found {
		i = max(i-1, 0)
	}
	for ; i < len(p.of) && p.bounds[i] <= last; i++ {
		p.of[i].Write(p.buf)
	}
}

// sum is that of a block's data.
func (p *printer) sum(id int64) (sum [sha256.Size]byte, err error) {
	err = query(p.c, "SELECT data FROM block WHERE id = ?", func(r *sqlite.Stmt) error {
		data := make([]byte, r.ColumnLen(0))
		r.ColumnBytes(0, data)
		sum = sha256.Sum256(data)
		return nil
	}, id)
	return sum, err
}

// A block's id is, from its high bits on, a number that grows, 28 bits of a
// checksum of its data, and 8 of a checksum of these two. So a block that takes
// the place of another never has its id, and its data need not be read to know
// that it is the same. Earlier builds numbered blocks from 1 on; what they put
// behind a block of this kind does not have the last 8 bits right.
const (
	idNumberShift = 36
	idSumShift    = 8
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// blockID returns the id of a new block behind the highest so far.
func blockID(highest int64, data []byte) int64 {
	return withCheck((highest>>idNumberShift+1)<<idNumberShift | int64(crc32.Checksum(data, castagnoli)>>4)<<idSumShift)
}

// withCheck returns the id with its last bits.
func withCheck(id int64) int64 {
	id = id >> idSumShift << idSumShift
	return id | int64(crc32.Checksum(binary.BigEndian.AppendUint64(nil, uint64(id)), castagnoli)>>24)
}

// saysContent reports whether a block's id says what is in it.
func saysContent(id int64) bool { return id>>idNumberShift > 0 && withCheck(id) == id }

// nextBlockID returns the id of a block to be inserted.
func nextBlockID(c *sqlite.Conn, data []byte) (id int64, err error) {
	err = query(c, "SELECT ifnull(max(id), 0) FROM block", func(r *sqlite.Stmt) error {
		id = blockID(r.ColumnInt64(0), data)
		return nil
	})
	return id, err
}
