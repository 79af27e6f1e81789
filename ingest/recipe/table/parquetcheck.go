package table

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/andybalholm/brotli"
	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/snappy"
	"github.com/klauspost/compress/zstd"
	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"
)

// The library makes room for what a file states, and some of that takes no bytes
// of it: a run of two thousand million values has five. So each row group is gone
// through here before the library reads it, by the format's definition:
// https://parquet.apache.org/docs/file-format/ (metadata, data pages, encodings,
// compression), as known in 2026. What a page states has to be in it.

// Limits, this project's choice. A year of seconds is 31.5 million values.
const (
	maxPageValues  = 64 << 20
	maxPageBytes   = 256 << 20
	maxGroupBytes  = 1 << 30  // of the pages of all columns that are held at a time
	maxSchemaParts = 10_000   // columns and groups of columns
	maxHeaderBytes = 16 << 20 // of one page, with its statistics
)

type parquetCheck struct {
	r       io.ReaderAt
	size    int64
	meta    *format.FileMetaData
	columns []leafColumn
	zstd    *zstd.Decoder
	packed  []byte
	plain   bytes.Buffer
}

type leafColumn struct {
	name      string
	kind      parquet.Kind
	length    int // of the values of a FixedLenByteArray
	maxLevels int // the largest definition level; 0: no nulls
}

// leaves takes the columns with values below c, in the file's order.
func (p *parquetCheck) leaves(c *parquet.Column) {
	if c.Leaf() {
		p.columns = append(p.columns, leafColumn{strings.Join(c.Path(), "."), c.Type().Kind(), c.Type().Length(), int(c.MaxDefinitionLevel())})
	}
	for _, inner := range c.Columns() {
		p.leaves(inner)
	}
}

// checkFooter refuses a footer that states more than it holds.
func checkFooter(r io.ReaderAt, size int64) error {
	var end [8]byte
	if size < 12 {
		return fmt.Errorf("%d bytes are too few", size)
	}
	if _, err := r.ReadAt(end[:], size-8); err != nil {
		return err
	}
	n := int64(binary.LittleEndian.Uint32(end[:]))
	if n > size-12 {
		return fmt.Errorf("the footer states %d bytes; the file has %d", n, size)
	}
	footer := make([]byte, n)
	if _, err := r.ReadAt(footer, size-8-n); err != nil {
		return err
	}
	const schema = 2
	parts := int64(0)
	s := skimmer{b: footer}
	if err := s.fields(0, 0, func(path int, v int64) {
		if path == schema {
			parts = v
		}
	}); err != nil {
		return fmt.Errorf("the footer: %w", err)
	}
	if parts > maxSchemaParts {
		return fmt.Errorf("the footer states %d columns; at most %d are read", parts, maxSchemaParts)
	}
	return nil
}

// group goes through the pages of row group i.
func (p *parquetCheck) group(i int) error {
	held := int64(0)
	for j := range p.meta.RowGroups[i].Columns {
		most, err := p.chunk(&p.meta.RowGroups[i].Columns[j].MetaData, p.columns[j])
		if err != nil {
			return fmt.Errorf("row group %d, column %s: %w", i+1, p.columns[j].name, err)
		}
		held += most
	}
	if held > maxGroupBytes {
		return fmt.Errorf("row group %d needs %d MiB at a time, at most %d are read; write the file with smaller pages or row groups", i+1, held>>20, maxGroupBytes>>20)
	}
	return nil
}

// chunk returns the bytes that the library holds at a time for a column.
func (p *parquetCheck) chunk(m *format.ColumnMetaData, c leafColumn) (int64, error) {
	at := m.DataPageOffset
	if m.DictionaryPageOffset != 0 {
		at = m.DictionaryPageOffset
	}
	if at < 0 || m.TotalCompressedSize < 0 || at > p.size || m.TotalCompressedSize > p.size-at {
		return 0, fmt.Errorf("states bytes %d to %d; the file has %d", at, at+m.TotalCompressedSize, p.size)
	}
	end := at + m.TotalCompressedSize
	var dictionary, data int64
	for n := 1; at < end; n++ {
		h, length, err := p.header(at, end)
		if err == nil {
			at += length
			err = p.page(h, at, end, m.Codec, c)
		}
		if err != nil {
			return 0, fmt.Errorf("page %d: %w", n, err)
		}
		width := int64(8)
		if c.kind == parquet.FixedLenByteArray && !byDictionary(h.encoding) {
			width = int64(c.length)
		}
		held := h.plain + max(h.values, 0)*(width+5) // the value, its level, its index or place
		if h.dictionary {
			dictionary = max(dictionary, held)
		} else {
			data = max(data, held)
		}
		at += h.packed
	}
	return dictionary + data, nil
}

// A pageHeader is what of a page's header says how much there is to read.
type pageHeader struct {
	packed, plain      int64
	values, nulls      int64
	encoding           format.Encoding
	levels             format.Encoding // of the definition levels
	levelBytes         int64           // of version 2: of all levels, which are not packed
	definitionBytes    int64           // the last of these
	dictionary, second bool
	isPacked           bool
}

// header reads the header at a place before end, and returns its length too.
func (p *parquetCheck) header(at, end int64) (pageHeader, int64, error) {
	for n := int64(1 << 10); ; n *= 8 {
		n = min(n, end-at)
		window := make([]byte, n)
		if _, err := p.r.ReadAt(window, at); err != nil && err != io.EOF {
			return pageHeader{}, 0, err
		}
		h := pageHeader{isPacked: true, values: -1}
		bodies := 0
		s := skimmer{b: window}
		err := s.fields(0, 0, func(path int, v int64) {
			switch path { // the numbers of the fields, the outer one times 1000
			case 2:
				h.plain = v
			case 3:
				h.packed = v
			case 5001, 7001, 8001:
				h.values, h.dictionary, h.second = v, path == 7001, path == 8001
				bodies++
			case 5002, 7002, 8004:
				h.encoding = format.Encoding(v)
			case 5003:
				h.levels = format.Encoding(v)
			case 8002:
				h.nulls = v
			case 8005:
				h.definitionBytes = v
				h.levelBytes += v
			case 8006:
				h.levelBytes += v
			case 8007:
				h.isPacked = v != 0
			}
		})
		switch {
		case errors.Is(err, errShort) && n < end-at && n < maxHeaderBytes:
			continue
		case err != nil:
			return h, 0, err
		case bodies > 1:
			return h, 0, errors.New("states to be of several kinds")
		case h.packed < 0 || h.packed > end-at-int64(s.at):
			return h, 0, fmt.Errorf("states %d bytes, its column has %d more", h.packed, end-at-int64(s.at))
		case h.plain < 0 || h.plain > maxPageBytes:
			return h, 0, fmt.Errorf("states %d bytes when unpacked, at most %d are read; write the file with smaller pages", h.plain, maxPageBytes)
		case h.values > maxPageValues:
			return h, 0, fmt.Errorf("states %d values, at most %d are read; write the file with smaller pages", h.values, maxPageValues)
		case h.nulls < 0 || h.second && (h.nulls > h.values || h.definitionBytes < 0 || h.levelBytes < h.definitionBytes || h.levelBytes > h.packed):
			return h, 0, errors.New("states sizes that contradict each other")
		}
		return h, int64(s.at), nil
	}
}

// page looks whether the page at a place holds what its header states.
func (p *parquetCheck) page(h pageHeader, at, end int64, codec format.CompressionCodec, c leafColumn) error {
	p.packed = slices.Grow(p.packed[:0], int(h.packed))[:h.packed]
	if _, err := io.ReadFull(io.NewSectionReader(p.r, at, end-at), p.packed); err != nil {
		return err
	}
	levels, body := p.packed[:h.levelBytes], p.packed[h.levelBytes:]
	if codec != format.Uncompressed && h.isPacked {
		plain, err := p.unpack(body, h.plain, codec)
		if err != nil {
			return err
		}
		if h.plain > int64(len(plain)+len(levels))+1<<10 {
			return fmt.Errorf("states %d bytes when unpacked and has %d", h.plain, len(plain)+len(levels))
		}
		body = plain
	}
	values := h.values - h.nulls
	switch {
	case h.values < 0: // of a kind without values, which the library skips or refuses
		return nil
	case h.dictionary:
		if h.values > int64(len(body)) {
			return fmt.Errorf("states %d values in %d bytes", h.values, len(body))
		}
		return nil
	case c.maxLevels > 0:
		if !h.second {
			if len(body) < 4 || int64(binary.LittleEndian.Uint32(body)) > int64(len(body)-4) {
				return errShort
			}
			n := binary.LittleEndian.Uint32(body)
			levels, body = body[4:4+n], body[4+n:]
			h.definitionBytes = int64(n)
			values = 0 // nobody has counted the nulls
		}
		width := 1
		for c.maxLevels>>width > 0 {
			width++
		}
		levels = levels[max(0, int64(len(levels))-h.definitionBytes):]
		if h.second || h.levels == format.RLE {
			if err := checkRuns(levels, width, h.values, h.values); err != nil {
				return fmt.Errorf("nulls: %w", err)
			}
		} else if h.values > 8*int64(len(levels)) {
			return errShort
		}
	}
	return checkValues(body, h.encoding, c.kind, values, h.values)
}

// unpack returns what is packed in b, at most n bytes.
func (p *parquetCheck) unpack(b []byte, n int64, codec format.CompressionCodec) ([]byte, error) {
	p.plain.Reset()
	tooMuch := fmt.Errorf("holds more than the %d bytes that it states", n)
	var r io.Reader
	switch codec {
	case format.Snappy:
		stated, err := snappy.DecodedLen(b)
		if err != nil {
			return nil, err
		}
		// The shortest copy makes 64 bytes of three.
		if int64(stated) > n || stated > 22*len(b)+64 {
			return nil, tooMuch
		}
		return snappy.Decode(nil, b)
	case format.Gzip:
		z, err := gzip.NewReader(bytes.NewReader(b))
		if err != nil {
			return nil, err
		}
		r = z
	case format.Zstd:
		if p.zstd == nil {
			var err error
			if p.zstd, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxWindow(16<<20)); err != nil {
				return nil, err
			}
		}
		if err := p.zstd.Reset(bytes.NewReader(b)); err != nil {
			return nil, err
		}
		r = p.zstd
	case format.Brotli:
		r = brotli.NewReader(bytes.NewReader(b))
	default: // LZ4_RAW too: the library unpacks it into memory that it then forgets, and gives other values
		return nil, fmt.Errorf("packed by %s, which is not read; write the file with snappy, gzip, zstd or none", codec)
	}
	got, err := io.Copy(&p.plain, io.LimitReader(r, n+1))
	if err != nil {
		return nil, err
	}
	if got > n {
		return nil, tooMuch
	}
	return p.plain.Bytes(), nil
}

// oldDictionary is PLAIN_DICTIONARY of Apache Parquet's format, deprecated and still written: it
// means in a data page what RLE_DICTIONARY does.
const oldDictionary format.Encoding = 2

func byDictionary(e format.Encoding) bool {
	return e == format.RLEDictionary || e == oldDictionary
}

// checkValues looks whether b can hold least values and does not unpack to more
// than most.
func checkValues(b []byte, e format.Encoding, kind parquet.Kind, least, most int64) error {
	switch e {
	case format.RLEDictionary, oldDictionary:
		if len(b) == 0 {
			return nil
		}
		if b[0] > 32 {
			return fmt.Errorf("indices of %d bits", b[0])
		}
		return checkRuns(b[1:], int(b[0]), least, most)
	case format.RLE:
		if len(b) < 4 {
			return errShort
		}
		return checkRuns(b[4:], 1, least, most)
	case format.DeltaBinaryPacked, format.DeltaLengthByteArray, format.DeltaByteArray:
		if e == format.DeltaBinaryPacked {
			_, err := skimDeltas(b, least, most, nil)
			return err
		}
		lists := 1 // of lengths
		if e == format.DeltaByteArray {
			lists = 2 // of what is as in the text before, and of what is not
		}
		sum := int64(0)
		for ; lists > 0; lists-- {
			own, absurd := int64(0), false
			var err error
			if b, err = skimDeltas(b, least, most, func(v int64) {
				own += v
				absurd = absurd || v < 0 || v > maxPageBytes
			}); err != nil {
				return err
			}
			if sum += own; absurd || sum > maxPageBytes {
				return fmt.Errorf("states texts of more than %d MiB", maxPageBytes>>20)
			}
			if lists == 1 && own > int64(len(b)) {
				return errShort
			}
		}
		return nil
	}
	bits := map[parquet.Kind]int64{parquet.Boolean: 1, parquet.Int32: 32, parquet.Float: 32, parquet.Int64: 64, parquet.Double: 64, parquet.Int96: 96, parquet.ByteArray: 32}[kind]
	if least*bits > 8*int64(len(b)) {
		return fmt.Errorf("states %d values in %d bytes", least, len(b))
	}
	return nil
}

// checkRuns goes through run lengths and bit-packed groups of width bits.
func checkRuns(b []byte, width int, least, most int64) error {
	n := int64(0)
	for len(b) > 0 {
		head, k := binary.Uvarint(b)
		if k <= 0 {
			return errShort
		}
		b = b[k:]
		count, bytes := int64(min(head>>1, math.MaxInt32)), int64(width+7)/8
		if head&1 == 1 {
			count, bytes = 8*count, count*int64(width)
		}
		n += count
		if bytes > int64(len(b)) {
			return errShort
		}
		// Groups of eight are filled up, by some writers to 64 of them.
		if n > most+512 {
			return fmt.Errorf("runs of %d values or more where %d are stated", n, most)
		}
		b = b[bytes:]
	}
	if n < least {
		return fmt.Errorf("runs of %d values where %d are stated", n, least)
	}
	return nil
}

// skimDeltas goes through a list of binary packed differences and returns what
// follows it. It gives each value, where that is wanted.
func skimDeltas(b []byte, least, most int64, each func(int64)) ([]byte, error) {
	short := false
	next := func() uint64 {
		v, k := binary.Uvarint(b)
		if k <= 0 {
			short = true
			return 0
		}
		b = b[k:]
		return v
	}
	signed := func() int64 {
		u := next()
		return int64(u>>1) ^ -int64(u&1)
	}
	block, minis, count, value := next(), next(), next(), signed()
	if short {
		return nil, errShort
	}
	if minis == 0 || block == 0 || minis > 1<<16 || block > 1<<24 || block%minis != 0 {
		return nil, fmt.Errorf("blocks of %d values in %d parts", block, minis)
	}
	if count > uint64(most) || count < uint64(least) {
		return nil, fmt.Errorf("differences of %d values where %d are stated", count, most)
	}
	if count > 0 && each != nil {
		each(value)
	}
	for left := int64(count) - 1; left > 0; {
		smallest := signed()
		if short || uint64(len(b)) < minis {
			return nil, errShort
		}
		var widths []byte
		widths, b = b[:minis], b[minis:]
		for _, w := range widths {
			if left <= 0 {
				break
			}
			n := int64(block / minis)
			bytes := n * int64(w) / 8
			if w > 64 {
				return nil, fmt.Errorf("differences of %d bits", w)
			}
			part := b[:min(bytes, int64(len(b)))]
			if min(n, left)*int64(w) > 8*int64(len(part)) {
				return nil, errShort
			}
			for i := range min(n, left) {
				if each == nil {
					break
				}
				var v uint64
				for bit := range int64(w) {
					at := i*int64(w) + bit
					v |= uint64(part[at/8]>>(at%8)&1) << bit
				}
				value += smallest + int64(v)
				each(value)
			}
			left -= n
			b = b[len(part):]
		}
	}
	return b, nil
}

var errShort = errors.New("states more than it holds")

// A skimmer goes through values in Thrift's compact protocol, by
// https://github.com/apache/thrift/blob/master/doc/specs/thrift-compact-protocol.md,
// as known in 2026, and makes room for none.
type skimmer struct {
	b  []byte
	at int
}

// fields goes through a struct. It gives leaf the numbers, truths and lengths of
// lists of the two outer levels with their field's number, which at the inner one
// has a thousand times the outer one added.
func (s *skimmer) fields(depth, path int, leaf func(path int, v int64)) error {
	id := int64(0)
	for last := int64(-1); ; last = id {
		head, err := s.octet()
		if err != nil || head == 0 {
			return err
		}
		if head>>4 != 0 {
			id += int64(head >> 4)
		} else if id, err = s.number(); err != nil {
			return err
		}
		if id <= last {
			return errors.New("fields out of order")
		}
		inner := -1
		if id > 0 && id < 1000 && path >= 0 && depth < 2 {
			inner = path*1000 + int(id)
		}
		switch kind := head & 15; kind {
		case 1, 2:
			if inner > 0 {
				leaf(inner, 2-int64(kind))
			}
		default:
			if err := s.value(kind, depth, inner, leaf); err != nil {
				return err
			}
		}
	}
}

func (s *skimmer) value(kind byte, depth, path int, leaf func(int, int64)) error {
	if depth > 32 {
		return errors.New("nested too deeply")
	}
	switch kind {
	case 1, 2, 3: // within lists a truth has a byte
		return s.skip(1)
	case 4, 5, 6:
		v, err := s.number()
		if err == nil && path > 0 {
			leaf(path, v)
		}
		return err
	case 7:
		return s.skip(8)
	case 8:
		n, err := s.length()
		if err != nil {
			return err
		}
		return s.skip(n)
	case 9, 10:
		head, err := s.octet()
		if err != nil {
			return err
		}
		n := int64(head >> 4)
		if n == 15 {
			if n, err = s.length(); err != nil {
				return err
			}
		}
		if n > int64(len(s.b)-s.at) {
			return errShort
		}
		if path > 0 {
			leaf(path, n)
		}
		for range n {
			if err := s.value(head&15, depth+1, -1, leaf); err != nil {
				return err
			}
		}
		return nil
	case 12:
		return s.fields(depth+1, path, leaf)
	}
	return fmt.Errorf("a value of kind %d, which the format does not have", kind)
}

func (s *skimmer) octet() (byte, error) {
	if s.at >= len(s.b) {
		return 0, errShort
	}
	s.at++
	return s.b[s.at-1], nil
}

func (s *skimmer) skip(n int64) error {
	if n > int64(len(s.b)-s.at) {
		return errShort
	}
	s.at += int(n)
	return nil
}

func (s *skimmer) length() (int64, error) {
	v, k := binary.Uvarint(s.b[s.at:])
	if k <= 0 || v > math.MaxInt32 {
		return 0, errShort
	}
	s.at += k
	return int64(v), nil
}

func (s *skimmer) number() (int64, error) {
	v, k := binary.Varint(s.b[s.at:])
	if k <= 0 {
		return 0, errShort
	}
	s.at += k
	return v, nil
}
