// Package wire writes what an analysis carries over, and its results, as bytes,
// and reads them again: the same values give the same bytes, and damaged bytes
// an error.
package wire

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"

	"greywatt"
)

// ErrDamaged means that bytes are not what a Writer of this form wrote.
var ErrDamaged = errors.New("the bytes are damaged or of another version")

// A Writer appends values. The zero value is ready for use.
type Writer struct {
	b    []byte
	last greywatt.Instant
}

// Len returns the number of bytes so far.
func (w *Writer) Len() int { return len(w.b) }

// Count writes a number from 0 on: a length, a place in a table.
func (w *Writer) Count(n int) { w.b = binary.AppendUvarint(w.b, uint64(n)) }

// Int writes any integer.
func (w *Writer) Int(v int64) { w.b = binary.AppendVarint(w.b, v) }

// Byte writes a byte.
func (w *Writer) Byte(v byte) { w.b = append(w.b, v) }

// Bool writes a truth value.
func (w *Writer) Bool(v bool) {
	if v {
		w.Byte(1)
	} else {
		w.Byte(0)
	}
}

// Float writes all bits of a number; of those that are none there is but one.
func (w *Writer) Float(v float64) {
	if v != v {
		v = math.NaN()
	}
	w.b = binary.LittleEndian.AppendUint64(w.b, math.Float64bits(v))
}

// At writes an instant, in few bytes where it is near the one written before.
func (w *Writer) At(t greywatt.Instant) {
	w.Int(int64(t - w.last))
	w.last = t
}

// String writes a text.
func (w *Writer) String(s string) {
	w.Count(len(s))
	w.b = append(w.b, s...)
}

// Bytes writes bytes whose length the reader knows or that a count precedes.
func (w *Writer) Bytes(b []byte) { w.b = append(w.b, b...) }

const sumLen = 4

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Sealed returns what was written, followed by a check sum of it and of the
// form's name, by which [Open] knows it.
func (w *Writer) Sealed(form string) []byte {
	sum := crc32.Update(crc32.Checksum([]byte(form), castagnoli), castagnoli, w.b)
	return binary.LittleEndian.AppendUint32(w.b, sum)
}

// A Reader reads values in the order in which they were written. After the first
// that cannot be read all are zero, and Err says so.
type Reader struct {
	b    []byte
	last greywatt.Instant
	bad  bool
}

// Open returns a reader of sealed bytes of a form. The error is [ErrDamaged].
func Open(b []byte, form string) (*Reader, error) {
	if len(b) < sumLen {
		return nil, ErrDamaged
	}
	body := b[:len(b)-sumLen]
	if sum := crc32.Update(crc32.Checksum([]byte(form), castagnoli), castagnoli, body); sum != binary.LittleEndian.Uint32(b[len(body):]) {
		return nil, ErrDamaged
	}
	return &Reader{b: body}, nil
}

// Unsealed returns a reader of bytes without a check sum.
func Unsealed(b []byte) *Reader { return &Reader{b: b} }

// Fail makes all that follows zero and Err an error: for values that cannot be.
func (r *Reader) Fail() { r.bad, r.b = true, nil }

// Err is [ErrDamaged] where something could not be read.
func (r *Reader) Err() error {
	if r.bad {
		return ErrDamaged
	}
	return nil
}

// End is Err, and an error where bytes are left.
func (r *Reader) End() error {
	if len(r.b) > 0 {
		return ErrDamaged
	}
	return r.Err()
}

// Count reads a count of things of which each takes size bytes at least, so
// that damaged bytes make nobody set aside more memory than they have.
func (r *Reader) Count(size int) int {
	v, n := binary.Uvarint(r.b)
	if n <= 0 || v > math.MaxInt32 || int(v)*size > len(r.b)-n {
		r.Fail()
		return 0
	}
	r.b = r.b[n:]
	return int(v)
}

// Index reads the place in a table of n.
func (r *Reader) Index(n int) int {
	i := r.Count(0)
	if i >= n {
		r.Fail()
		return 0
	}
	return i
}

func (r *Reader) Int() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.Fail()
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *Reader) Byte() byte {
	if len(r.b) < 1 {
		r.Fail()
		return 0
	}
	v := r.b[0]
	r.b = r.b[1:]
	return v
}

func (r *Reader) Bool() bool {
	v := r.Byte()
	if v > 1 {
		r.Fail()
	}
	return v == 1
}

func (r *Reader) Float() float64 {
	if len(r.b) < 8 {
		r.Fail()
		return 0
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(r.b))
	r.b = r.b[8:]
	return v
}

func (r *Reader) At() greywatt.Instant {
	r.last += greywatt.Instant(r.Int())
	return r.last
}

func (r *Reader) String() string { return string(r.Bytes(r.Count(1))) }

// Bytes reads n bytes; they are the reader's own.
func (r *Reader) Bytes(n int) []byte {
	if n < 0 || n > len(r.b) {
		r.Fail()
		return nil
	}
	b := r.b[:n]
	r.b = r.b[n:]
	return b
}
