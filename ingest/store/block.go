package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"

	"greywatt"

	"github.com/klauspost/compress/zstd"
)

// The layout of a block is in FORMAT.md; whatever changes here changes there.
const (
	blockVersion = 1
	// maxBlockFrames bounds what a reader must be ready to unpack, and
	// maxBlockBytes follows from it: no column takes more than a 10-byte varint a
	// frame.
	maxBlockFrames = 1 << 16
	maxBlockBytes  = 10 * maxBlockFrames * (greywatt.NumChannels + 2)
)

// A scale maps the integers that a column stores to the floats that were
// reported. An encoder uses it only where that gives back every bit.
type scale byte

const (
	scaleRaw      scale = iota // the floats themselves
	scaleDecimal               // k / 10^digits
	scaleSixtieth              // k / 10^digits / 60: l/min taken in as l/s
	scaleSingle                // k / 10^digits in single precision: numbers of 32 bits on the wire
	numScales
)

const maxDigits = 9

var pow10 = [maxDigits + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9}

func (s scale) value(k, pow float64) float64 {
	switch s {
	case scaleSixtieth:
		return k / pow / 60
	case scaleSingle:
		return float64(float32(k / pow))
	}
	return k / pow
}

// integer returns the k that s maps to v, if there is one.
func (s scale) integer(v, pow float64) (int64, bool) {
	x := v * pow
	if s == scaleSixtieth {
		x *= 60
	}
	k := math.RoundToEven(x)
	// Beyond 2^53 not every integer is a float, and no integer is minus zero.
	ok := math.Abs(k) < 1<<53 && math.Float64bits(s.value(float64(int64(k)), pow)) == math.Float64bits(v)
	return int64(k), ok
}

// blockEncoder packs frames. It reuses its buffers and must not be shared.
type blockEncoder struct {
	z    *zstd.Encoder
	buf  []byte
	vals []float64
	ints []int64
}

func newBlockEncoder() *blockEncoder {
	z, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(blockWindow), zstd.WithLowerEncoderMem(true))
	if err != nil {
		panic("store: " + err.Error()) // the options are constants
	}
	return &blockEncoder{z: z}
}

const blockWindow = 256 << 10

// encode appends the packed frames to dst. The frames are of one node, 1 to
// maxBlockFrames of them, their instants strictly ascending.
func (e *blockEncoder) encode(dst []byte, frames []greywatt.Frame) []byte {
	b := binary.AppendUvarint(e.buf[:0], uint64(len(frames)))
	b = appendTimes(b, frames)
	mask := byte(0)
	var counts [greywatt.NumChannels]int
	for i := range frames {
		for ch, v := range frames[i].Value {
			if v == v {
				counts[ch]++
			}
		}
	}
	for ch, n := range counts {
		if n > 0 {
			mask |= 1 << ch
		}
	}
	b = append(b, mask)
	for ch, n := range counts {
		if n > 0 {
			b = e.appendColumn(b, frames, ch, n)
		}
	}
	e.buf = b
	return e.z.EncodeAll(b, append(dst, blockVersion))
}

func appendTimes(b []byte, frames []greywatt.Frame) []byte {
	b = binary.AppendUvarint(b, uint64(frames[0].At))
	step := uint64(0)
	for i := 1; i < len(frames); i++ {
		step = gcd(step, uint64(frames[i].At-frames[i-1].At))
	}
	b = binary.AppendUvarint(b, step)
	for i := 1; i < len(frames); i++ {
		b = binary.AppendUvarint(b, uint64(frames[i].At-frames[i-1].At)/step)
	}
	return b
}

func (e *blockEncoder) appendColumn(b []byte, frames []greywatt.Frame, ch, n int) []byte {
	if n == len(frames) {
		b = append(b, 0)
	} else {
		b = append(b, 1)
		at := len(b)
		b = append(b, make([]byte, (len(frames)+7)/8)...)
		for i := range frames {
			if v := frames[i].Value[ch]; v == v {
				b[at+i/8] |= 1 << (i % 8)
			}
		}
	}
	e.vals = e.vals[:0]
	for i := range frames {
		if v := frames[i].Value[ch]; v == v {
			e.vals = append(e.vals, v)
		}
	}
	for s := scaleDecimal; s < numScales; s++ {
		if digits, ok := e.fit(s); ok {
			return appendInts(append(b, byte(s), byte(digits)), e.ints)
		}
	}
	return appendRaw(append(b, byte(scaleRaw)), e.vals)
}

// fit puts the integers of e.vals under s into e.ints and returns the fewest
// digits that hold them all.
func (e *blockEncoder) fit(s scale) (digits int, ok bool) {
	e.ints = e.ints[:0]
	for i := 0; i < len(e.vals); i++ {
		k, ok := s.integer(e.vals[i], pow10[digits])
		for !ok {
			if digits++; digits > maxDigits {
				return 0, false
			}
			// More digits hold all that fewer did, but as other integers.
			e.ints, i = e.ints[:0], 0
			k, ok = s.integer(e.vals[0], pow10[digits])
		}
		e.ints = append(e.ints, k)
	}
	return digits, true
}

// appendInts writes the first integer, the greatest step that all differences
// are multiples of, and the differences in steps.
func appendInts(b []byte, ints []int64) []byte {
	step := uint64(0)
	for i := 1; i < len(ints) && step != 1; i++ {
		step = gcd(step, magnitude(ints[i]-ints[i-1]))
	}
	step = max(step, 1)
	b = binary.AppendVarint(b, ints[0])
	b = binary.AppendUvarint(b, step)
	for i := 1; i < len(ints); i++ {
		b = binary.AppendVarint(b, (ints[i]-ints[i-1])/int64(step))
	}
	return b
}

// appendRaw writes each float's bits, less those it shares with the one before,
// byte plane by byte plane: first the most significant byte of all of them.
func appendRaw(b []byte, vals []float64) []byte {
	at := len(b)
	b = append(b, make([]byte, 8*len(vals))...)
	prev := uint64(0)
	for i, v := range vals {
		u := math.Float64bits(v)
		x := u ^ prev
		prev = u
		for plane := range 8 {
			b[at+plane*len(vals)+i] = byte(x >> (56 - 8*plane))
		}
	}
	return b
}

func magnitude(d int64) uint64 {
	if d < 0 {
		return uint64(-d)
	}
	return uint64(d)
}

// gcd treats 0 as divisible by everything.
func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// blockDecoder unpacks blocks. It reuses its buffer and must not be shared.
type blockDecoder struct {
	z   *zstd.Decoder
	buf []byte
}

func newBlockDecoder() *blockDecoder {
	z, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxMemory(maxBlockBytes))
	if err != nil {
		panic("store: " + err.Error()) // the options are constants
	}
	return &blockDecoder{z: z}
}

var errShort = errors.New("block ends too early")

// decode appends the frames in data to dst, which may be nil, with the given
// node. Any bytes may be given; a checksum tells damage.
func (d *blockDecoder) decode(dst []greywatt.Frame, data []byte, node string) ([]greywatt.Frame, error) {
	switch {
	case len(data) > 0 && data[0] > blockVersion:
		return dst, fmt.Errorf("%w: block of layout %d, known up to %d; use the newer program", ErrNewer, data[0], blockVersion)
	case len(data) == 0 || data[0] != blockVersion:
		return dst, fmt.Errorf("block is not of layout %d", blockVersion)
	}
	var err error
	if d.buf, err = d.z.DecodeAll(data[1:], d.buf[:0]); err != nil {
		return dst, fmt.Errorf("unpack block: %w", err)
	}
	return unpackFrames(dst, d.buf, node)
}

// unpackFrames takes apart what is inside the compression.
func unpackFrames(dst []greywatt.Frame, data []byte, node string) ([]greywatt.Frame, error) {
	r := blockReader{b: data}
	n := r.uvarint()
	if n == 0 || n > maxBlockFrames {
		return dst, fmt.Errorf("block of %d frames, want 1 to %d", n, maxBlockFrames)
	}
	start := len(dst)
	dst = growFrames(dst, int(n))
	frames := dst[start:]
	r.times(frames, node)
	mask := r.byte()
	for ch := range greywatt.NumChannels {
		if mask&(1<<ch) != 0 {
			r.column(frames, ch)
		} else {
			for i := range frames {
				frames[i].Value[ch] = math.NaN()
			}
		}
	}
	switch {
	case r.err != nil:
		return dst[:start], r.err
	case len(r.b) > 0 || mask>>greywatt.NumChannels != 0:
		return dst[:start], errors.New("block goes on after its end")
	}
	return dst, nil
}

func growFrames(dst []greywatt.Frame, n int) []greywatt.Frame {
	if cap(dst)-len(dst) < n {
		grown := make([]greywatt.Frame, len(dst), len(dst)+n)
		copy(grown, dst)
		dst = grown
	}
	return dst[:len(dst)+n]
}

// blockReader takes an unpacked block apart. After an error it returns zeros.
type blockReader struct {
	b   []byte
	err error
}

func (r *blockReader) fail(err error) {
	if r.err == nil {
		r.err = err
	}
	r.b = nil
}

func (r *blockReader) byte() byte {
	if len(r.b) == 0 {
		r.fail(errShort)
		return 0
	}
	c := r.b[0]
	r.b = r.b[1:]
	return c
}

func (r *blockReader) take(n int) []byte {
	if len(r.b) < n {
		r.fail(errShort)
		return make([]byte, n)
	}
	p := r.b[:n]
	r.b = r.b[n:]
	return p
}

func (r *blockReader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.fail(errShort)
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *blockReader) varint() int64 {
	u := r.uvarint()
	return int64(u>>1) ^ -int64(u&1)
}

func (r *blockReader) times(frames []greywatt.Frame, node string) {
	at, step := r.uvarint(), r.uvarint()
	for i := range frames {
		if i > 0 {
			hi, lo := bits.Mul64(r.uvarint(), step)
			next, carry := bits.Add64(at, lo, 0)
			if next == at || hi+carry != 0 {
				r.fail(errors.New("block's instants do not ascend"))
			}
			at = next
		}
		frames[i].At, frames[i].Node = greywatt.Instant(at), node
	}
	if at >= uint64(maxInstant) {
		r.fail(errors.New("block's instants are out of range"))
	}
}

func (r *blockReader) column(frames []greywatt.Frame, ch int) {
	all := true
	var bitmap []byte
	n := len(frames)
	switch r.byte() {
	case 0:
	case 1:
		all = false
		bitmap = r.take((len(frames) + 7) / 8)
		n = 0
		for _, c := range bitmap {
			n += bits.OnesCount8(c)
		}
		if n == 0 || bitmap[len(bitmap)-1]>>(1+(len(frames)-1)%8) != 0 {
			r.fail(errors.New("block has a bad presence bitmap"))
		}
	default:
		r.fail(errors.New("block has an unknown kind of presence"))
	}
	s := scale(r.byte())
	if s == scaleRaw {
		r.raw(frames, ch, n, bitmap)
		return
	}
	digits := int(r.byte())
	k, step := r.varint(), int64(r.uvarint())
	if s >= numScales || digits > maxDigits {
		r.fail(errors.New("block has an unknown scale"))
		return
	}
	pow, first := pow10[digits], true
	b := r.b // most differences are of one byte: read here, without a call each
	for i := range frames {
		if !all && bitmap[i/8]&(1<<(i%8)) == 0 {
			frames[i].Value[ch] = math.NaN()
			continue
		}
		if !first {
			var u uint64
			if len(b) > 0 && b[0] < 0x80 {
				u, b = uint64(b[0]), b[1:]
			} else {
				r.b = b
				u = r.uvarint()
				b = r.b
			}
			k += step * (int64(u>>1) ^ -int64(u&1))
		}
		first = false
		if s == scaleDecimal {
			frames[i].Value[ch] = float64(k) / pow
		} else {
			frames[i].Value[ch] = s.value(float64(k), pow)
		}
	}
	r.b = b
}

// raw reads a column of n floats as their bits; a bitmap that is nil says that all
// frames have one.
func (r *blockReader) raw(frames []greywatt.Frame, ch, n int, bitmap []byte) {
	planes, k, bits := r.take(8*n), 0, uint64(0)
	for i := range frames {
		if bitmap != nil && bitmap[i/8]&(1<<(i%8)) == 0 {
			frames[i].Value[ch] = math.NaN()
			continue
		}
		x := uint64(0)
		for plane := range 8 {
			x = x<<8 | uint64(planes[plane*n+k])
		}
		k++
		bits ^= x
		frames[i].Value[ch] = math.Float64frombits(bits)
	}
}
