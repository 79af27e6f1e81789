package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
)

// What is read here of SQLite's file format is described, by the byte, in
// "Database File Format", https://www.sqlite.org/fileformat2.html (from memory).

// pages are the pages of a SQLite file and of its log, read without SQLite:
// nothing that one page says is needed to find another.
type pages struct {
	file, wal *os.File // wal is nil where there is none
	size      int      // of a page
	usable    int      // of its bytes
	n         uint32   // pages
	logged    map[uint32]int64
}

const (
	sqliteMagic    = "SQLite format 3\x00"
	pageTableLeaf  = 0x0d
	pageTableInner = 0x05
	pageIndexLeaf  = 0x0a
	pageIndexInner = 0x02
)

// pageSizes are those that this program's files have or had.
var pageSizes = []int{pageSize, 4096}

// openPages opens a SQLite file for reading, whatever state it is in. Where its
// first page is lost, its pages are of that one of pageSizes that makes the most
// sense of them. A file that is another program's, or a newer one's, is refused.
func openPages(path string) (p *pages, err error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	p = &pages{file: file, size: pageSize, logged: make(map[uint32]int64)}
	defer func() {
		if err != nil {
			p.close()
		}
	}()
	info, err := file.Stat()
	if err != nil {
		return nil, err
	}
	head := make([]byte, 100)
	if _, err := file.ReadAt(head, 0); err != nil && err != io.EOF {
		return nil, err
	}
	reserved := 0
	if string(head[:16]) != sqliteMagic {
		p.guessSize(info.Size())
	}
	if string(head[:16]) == sqliteMagic {
		switch app, version := binary.BigEndian.Uint32(head[68:]), binary.BigEndian.Uint32(head[60:]); {
		case app != applicationID && app != 0:
			return nil, fmt.Errorf("%w: it is some other program's SQLite file; name another data folder", ErrNotStore)
		case app == applicationID && int(version) > len(migrations):
			return nil, fmt.Errorf("%w: it has format %d and this program knows up to %d; use the newer program", ErrNewer, version, len(migrations))
		}
		size := int(binary.BigEndian.Uint16(head[16:]))
		if size == 1 {
			size = 1 << 16
		}
		if size >= 512 && size&(size-1) == 0 {
			p.size, reserved = size, int(head[20])
		}
	}
	p.usable = p.size - reserved
	if err := p.openLog(path + "-wal"); err != nil {
		return nil, err
	}
	count := (info.Size() + int64(p.size) - 1) / int64(p.size)
	if count > math.MaxUint32-1 {
		return nil, fmt.Errorf("%s: %d pages are more than SQLite has", path, count)
	}
	p.n = max(p.n, uint32(count))
	return p, nil
}

// guessSize sets the size of pages to that of which the file's beginning has the
// most cells more that make sense than that do not.
func (p *pages) guessSize(bytes int64) {
	best, most := pageSize, 0
	for _, size := range pageSizes {
		p.size, p.usable = size, size
		p.n = uint32(min(bytes, guessFrom) / int64(size))
		page, sense := make([]byte, size), 0
		for n := uint32(1); n <= p.n; n++ {
			have, err := p.read(n, page)
			if err != nil {
				continue
			}
			bad, _ := p.cells(n, page, have, func(bool, cell) error { sense++; return nil })
			sense -= bad
		}
		if sense > most {
			best, most = size, sense
		}
	}
	p.size, p.n = best, 0
}

// guessFrom is how much of a file says of which size its pages are.
const guessFrom = 16 << 20

// openLog finds the newest committed copy of each page in the write-ahead log.
// It reads up to the first frame that does not belong to the log's present use
// or whose checksum is wrong, as SQLite does.
func (p *pages) openLog(path string) error {
	wal, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	p.wal = wal
	head := make([]byte, 32)
	if _, err := wal.ReadAt(head, 0); err != nil {
		return nil // shorter than its header: nothing is in it
	}
	var order binary.ByteOrder
	switch binary.BigEndian.Uint32(head) {
	case 0x377f0682:
		order = binary.LittleEndian
	case 0x377f0683:
		order = binary.BigEndian
	default:
		return nil
	}
	if size := int(binary.BigEndian.Uint32(head[8:])); size != p.size {
		return nil
	}
	sum := walSum(order, [2]uint32{}, head[:24])
	if sum != [2]uint32{binary.BigEndian.Uint32(head[24:]), binary.BigEndian.Uint32(head[28:])} {
		return nil
	}
	pending := make(map[uint32]int64)
	frame := make([]byte, 24+p.size)
	for at := int64(32); ; at += int64(len(frame)) {
		if _, err := wal.ReadAt(frame, at); err != nil {
			return nil
		}
		sum = walSum(order, walSum(order, sum, frame[:8]), frame[24:])
		if string(frame[8:16]) != string(head[16:24]) || sum != [2]uint32{binary.BigEndian.Uint32(frame[16:]), binary.BigEndian.Uint32(frame[20:])} {
			return nil
		}
		pending[binary.BigEndian.Uint32(frame)] = at + 24
		if n := binary.BigEndian.Uint32(frame[4:]); n > 0 { // a commit
			for page, at := range pending {
				p.logged[page] = at
			}
			p.n = n
			clear(pending)
		}
	}
}

// walSum goes on with a checksum over pairs of words.
func walSum(order binary.ByteOrder, s [2]uint32, b []byte) [2]uint32 {
	for ; len(b) >= 8; b = b[8:] {
		s[0] += order.Uint32(b) + s[1]
		s[1] += order.Uint32(b[4:]) + s[0]
	}
	return s
}

func (p *pages) close() {
	p.file.Close()
	if p.wal != nil {
		p.wal.Close()
	}
}

// read reads a page, numbered from 1, into buf, which has its size. It returns
// how many bytes of it the file has; the rest of buf is zero.
func (p *pages) read(n uint32, buf []byte) (have int, err error) {
	clear(buf)
	if n == 0 || n > p.n {
		return 0, fmt.Errorf("page %d of %d", n, p.n)
	}
	if at, ok := p.logged[n]; ok {
		have, err = p.wal.ReadAt(buf, at)
	} else {
		have, err = p.file.ReadAt(buf, int64(n-1)*int64(p.size))
	}
	if err == io.EOF {
		err = nil
	}
	return have, err
}

// A cell is a row of a table, or an entry of an index.
type cell struct {
	rowid    int64 // 0 in an index
	payload  int   // bytes of the record
	local    []byte
	overflow uint32 // page with what is not local; 0: none
}

// cells calls f with each cell of a page that is one of a table or an index,
// and returns how many of its cells make no sense.
// have is how many bytes of the page are known.
func (p *pages) cells(n uint32, page []byte, have int, f func(index bool, c cell) error) (bad int, err error) {
	head := 0
	if n == 1 {
		head = 100
	}
	kind := page[head]
	header := 8
	switch kind {
	case pageTableLeaf, pageIndexLeaf:
	case pageIndexInner:
		header = 12
	default:
		return 0, nil // an inner page of a table holds no rows
	}
	count := int(binary.BigEndian.Uint16(page[head+3:]))
	pointers := head + header
	end := min(p.usable, have)
	if pointers+2*count > end {
		return 1, nil
	}
	blank := blankSectors(page)
	for i := range count {
		at := int(binary.BigEndian.Uint16(page[pointers+2*i:]))
		c, ok := p.cell(kind, page[:end], at, pointers+2*count)
		if ok && kind != pageTableLeaf {
			last := p.size - cap(c.local) + len(c.local) - 1 // where in the page it ends
			ok = !blank[at/sector] && !blank[last/sector]
		}
		if !ok {
			bad++
			continue
		}
		if err := f(kind != pageTableLeaf, c); err != nil {
			return bad, err
		}
	}
	return bad, nil
}

// sector is the least that a disk loses at once. A row has no checksum, so one
// that reaches into a blank sector does not count.
const sector = 512

func blankSectors(page []byte) []bool {
	blank := make([]bool, len(page)/sector)
	for i := range blank {
		blank[i] = !slices.ContainsFunc(page[i*sector:(i+1)*sector], func(c byte) bool { return c != 0 })
	}
	return blank
}

func (p *pages) cell(kind byte, page []byte, at, least int) (c cell, ok bool) {
	if at < least || at >= len(page) {
		return c, false
	}
	b := page[at:]
	if kind == pageIndexInner {
		if len(b) < 4 {
			return c, false
		}
		b = b[4:]
	}
	size, n := sqliteVarint(b)
	if n == 0 || size == 0 || size > maxBlockBytes+1024 {
		return c, false
	}
	b = b[n:]
	most := p.usable - 35 // local
	if kind == pageTableLeaf {
		rowid, n := sqliteVarint(b)
		if n == 0 {
			return c, false
		}
		c.rowid, b = int64(rowid), b[n:]
	} else {
		most = (p.usable-12)*64/255 - 23
	}
	c.payload = int(size)
	local := c.payload
	if local > most {
		least := (p.usable-12)*32/255 - 23
		if local = least + (c.payload-least)%(p.usable-4); local > most {
			local = least
		}
		if len(b) < local+4 {
			return c, false
		}
		c.overflow = binary.BigEndian.Uint32(b[local:])
	}
	if len(b) < local {
		return c, false
	}
	c.local = b[:local]
	return c, true
}

// record returns the whole record of a cell, following its overflow pages.
func (p *pages) record(c cell, dst, page []byte) ([]byte, error) {
	dst = append(dst[:0], c.local...)
	for next := c.overflow; len(dst) < c.payload; {
		if _, err := p.read(next, page); err != nil {
			return dst, fmt.Errorf("a part of the record is gone: %w", err)
		}
		dst = append(dst, page[4:min(p.usable, 4+c.payload-len(dst))]...)
		next = binary.BigEndian.Uint32(page)
	}
	return dst, nil
}

// A field is one column of a record: NULL, an integer, a float, a text or a
// blob. Of a text and a blob it has what is there of its bytes.
type field struct {
	kind  byte // n, i, f, t or b
	int   int64
	float float64
	bytes []byte
	size  int // of text or blob
}

// fields takes a record, or as much of its beginning as there is, apart. It
// returns nil for one that makes no sense.
func fields(record []byte, dst []field) []field {
	head, n := sqliteVarint(record)
	if n == 0 || head > uint64(len(record)) {
		return nil
	}
	types, body := record[n:head], record[head:]
	dst = dst[:0]
	for len(types) > 0 {
		t, n := sqliteVarint(types)
		if n == 0 {
			return nil
		}
		types = types[n:]
		f := field{kind: 'i'}
		size := 0
		switch {
		case t == 0:
			f.kind = 'n'
		case t <= 4:
			size = int(t)
		case t == 5:
			size = 6
		case t == 6:
			size = 8
		case t == 7:
			f.kind, size = 'f', 8
		case t == 8 || t == 9:
			f.int = int64(t - 8)
		case t < 12 || t > 2*maxBlockBytes:
			return nil
		default:
			f.kind, f.size = 'b', int(t-12)/2
			if t%2 == 1 {
				f.kind = 't'
			}
			f.bytes = body[:min(f.size, len(body))]
			body = body[len(f.bytes):]
		}
		if size > len(body) {
			return nil
		}
		if size > 0 {
			v := int64(int8(body[0]))
			for _, c := range body[1:size] {
				v = v<<8 | int64(c)
			}
			body = body[size:]
			if f.int = v; f.kind == 'f' {
				f.int, f.float = 0, math.Float64frombits(uint64(v))
			}
		}
		dst = append(dst, f)
	}
	return dst
}

// sqliteVarint reads a number of one to nine bytes and returns how many they
// were, 0 where there are too few.
func sqliteVarint(b []byte) (v uint64, n int) {
	for i, c := range b {
		if i == 8 {
			return v<<8 | uint64(c), 9
		}
		v = v<<7 | uint64(c&0x7f)
		if c&0x80 == 0 {
			return v, i + 1
		}
	}
	return 0, 0
}
