package payload

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"greywatt/ingest"
)

// CBOR major types, RFC 8949 section 3.1.
const (
	majorUint = iota
	majorNegative
	majorBytes
	majorText
	majorArray
	majorMap
	majorTag
	majorSimple
)

const (
	tagDecimalFraction = 4    // RFC 8949 section 3.4.4
	breakByte          = 0xff // ends an item of indefinite length
)

var (
	errCBORShort = errors.New("it ends in the middle of a record")
	errCBORForm  = errors.New("not well-formed CBOR")
	errCBORDepth = fmt.Errorf("nested deeper than %d", maxDepth)
)

// A cborReader reads CBOR items from src, written for this package because a
// pack is read record by record, with what precedes a fault kept, and without
// an allocation.
type cborReader struct {
	src []byte
	off int
}

// A head is what an item begins with (RFC 8949 section 3).
type head struct {
	major      byte
	info       byte
	arg        uint64
	indefinite bool
}

func (c *cborReader) head() (head, error) {
	if c.off >= len(c.src) {
		return head{}, errCBORShort
	}
	b := c.src[c.off]
	c.off++
	h := head{major: b >> 5, info: b & 0x1f}
	switch {
	case h.info < 24:
		h.arg = uint64(h.info)
	case h.info < 28:
		size := 1 << (h.info - 24)
		if len(c.src)-c.off < size {
			return head{}, errCBORShort
		}
		for _, b := range c.src[c.off : c.off+size] {
			h.arg = h.arg<<8 | uint64(b)
		}
		c.off += size
	case h.info == 31 && h.major >= majorBytes && h.major <= majorMap:
		h.indefinite = true
	default:
		return head{}, errCBORForm
	}
	if h.major == majorSimple && h.info == 24 && h.arg < 32 {
		return head{}, errCBORForm // RFC 8949 section 3.3
	}
	return h, nil
}

// more reports whether a container with h has an element number i, and steps
// over the break that ends an indefinite one.
func (c *cborReader) more(h head, i uint64) (bool, error) {
	if !h.indefinite {
		return i < h.arg, nil
	}
	if c.off >= len(c.src) {
		return false, errCBORShort
	}
	if c.src[c.off] == breakByte {
		c.off++
		return false, nil
	}
	return true, nil
}

// chunk returns the n bytes that follow.
func (c *cborReader) chunk(n uint64) ([]byte, error) {
	if n > uint64(len(c.src)-c.off) {
		return nil, errCBORShort
	}
	b := c.src[c.off : c.off+int(n)]
	c.off += int(n)
	return b, nil
}

// str returns the text or bytes with head h; chunks are joined at arena's end.
func (c *cborReader) str(h head, arena []byte) (s, grown []byte, err error) {
	if !h.indefinite {
		s, err = c.chunk(h.arg)
		return s, arena, err
	}
	from := len(arena)
	for {
		more, err := c.more(h, 0)
		if err != nil || !more {
			return arena[from:len(arena):len(arena)], arena, err
		}
		part, err := c.head()
		if err != nil {
			return nil, arena, err
		}
		if part.major != h.major || part.indefinite {
			return nil, arena, errCBORForm
		}
		b, err := c.chunk(part.arg)
		if err != nil {
			return nil, arena, err
		}
		arena = append(arena, b...)
	}
}

// number returns the number with head h: an integer, a float of 16, 32 or 64
// bits, or a decimal fraction. ok is false for anything else, which has then
// been stepped over.
func (c *cborReader) number(h head) (v float64, ok bool, err error) {
	switch {
	case h.major == majorUint:
		return float64(h.arg), true, nil
	case h.major == majorNegative:
		return -1 - float64(h.arg), true, nil
	case h.major == majorSimple && h.info == 25:
		return halfFloat(uint16(h.arg)), true, nil
	case h.major == majorSimple && h.info == 26:
		return float64(math.Float32frombits(uint32(h.arg))), true, nil
	case h.major == majorSimple && h.info == 27:
		return math.Float64frombits(h.arg), true, nil
	case h.major == majorTag && h.arg == tagDecimalFraction:
		start := c.off
		if v, ok, err = c.decimalFraction(); ok || err != nil {
			return v, ok, err
		}
		c.off = start
		return 0, false, c.skip(1)
	}
	return 0, false, c.skipRest(h, 1)
}

// decimalFraction reads [exponent, mantissa]; ok is false where there is
// something else, not all of which has been read then.
func (c *cborReader) decimalFraction() (v float64, ok bool, err error) {
	h, err := c.head()
	if err != nil || h.major != majorArray || h.indefinite || h.arg != 2 {
		return 0, false, err
	}
	var part [2]int64
	for i := range part {
		h, err := c.head()
		if err != nil || h.major > majorNegative || h.arg > math.MaxInt64 {
			return 0, false, err
		}
		part[i] = int64(h.arg)
		if h.major == majorNegative {
			part[i] = -1 - int64(h.arg)
		}
	}
	// The nearest float64 to the decimal, as for the same digits in JSON.
	var text [48]byte
	b := strconv.AppendInt(text[:0], part[1], 10)
	b = append(b, 'e')
	b = strconv.AppendInt(b, part[0], 10)
	v, _ = strconv.ParseFloat(string(b), 64) // out of range is infinite, and refused later
	return v, true, nil
}

// halfFloat decodes IEEE 754 binary16 (RFC 8949 appendix D).
func halfFloat(h uint16) float64 {
	exp, frac := int(h>>10&0x1f), float64(h&0x3ff)
	var v float64
	switch exp {
	case 0:
		v = math.Ldexp(frac, -24)
	case 31:
		if v = math.Inf(1); frac != 0 {
			v = math.NaN()
		}
	default:
		v = math.Ldexp(frac+1024, exp-25)
	}
	if h&0x8000 != 0 {
		return -v
	}
	return v
}

// skip steps over one item.
func (c *cborReader) skip(depth int) error {
	h, err := c.head()
	if err != nil {
		return err
	}
	return c.skipRest(h, depth)
}

// skipRest steps over what follows h of one item.
func (c *cborReader) skipRest(h head, depth int) error {
	if depth > maxDepth {
		return errCBORDepth
	}
	switch h.major {
	case majorBytes, majorText:
		if !h.indefinite {
			_, err := c.chunk(h.arg)
			return err
		}
		for {
			more, err := c.more(h, 0)
			if err != nil || !more {
				return err
			}
			part, err := c.head()
			if err != nil {
				return err
			}
			if part.major != h.major || part.indefinite {
				return errCBORForm
			}
			if _, err := c.chunk(part.arg); err != nil {
				return err
			}
		}
	case majorArray, majorMap:
		for i := uint64(0); ; i++ {
			more, err := c.more(h, i)
			if err != nil || !more {
				return err
			}
			if err := c.skip(depth + 1); err != nil {
				return err
			}
			if h.major == majorMap {
				if err := c.skip(depth + 1); err != nil {
					return err
				}
			}
		}
	case majorTag:
		return c.skip(depth + 1)
	}
	return nil
}

// cbor reads a CBOR pack. There is no finding one's way back after a fault in
// the encoding itself, so that one ends the pack.
func (d *Decoder) cbor(data []byte) {
	c := &cborReader{src: data}
	h, err := c.head()
	for i := uint64(0); err == nil; i++ {
		var more bool
		if more, err = c.more(h, i); err != nil || !more {
			break
		}
		if d.full() {
			return
		}
		start := c.off
		var isRecord bool
		if isRecord, err = d.cborRecord(c); err != nil {
			c.off = start
			break
		}
		if raw := data[start:c.off]; !isRecord {
			d.reject(ingest.BadPayload, raw, "an element of the pack is not a map")
		} else if !d.take(raw) {
			return
		}
	}
	switch {
	case err != nil:
		d.rejectRest(data[c.off:], "the pack breaks off at byte %d: %v; what precedes counts", c.off+1, err)
	case d.records == 0:
		d.rejectRest(data, "empty pack; at least one record is wanted")
	}
	if err == nil && c.off < len(data) {
		d.rejectRest(data[c.off:], "bytes after the pack, from byte %d on", c.off+1)
	}
}

// cborRecord reads one map into d.rec; what is no map is stepped over.
func (d *Decoder) cborRecord(c *cborReader) (isRecord bool, err error) {
	r := &d.rec
	r.reset()
	d.arena = d.arena[:0]
	h, err := c.head()
	if err != nil {
		return false, err
	}
	if h.major != majorMap {
		return false, c.skipRest(h, 1)
	}
	for i := uint64(0); ; i++ {
		more, err := c.more(h, i)
		if err != nil || !more {
			return true, err
		}
		l, known, err := d.cborLabel(c)
		if err != nil {
			return true, err
		}
		if !known {
			if err := c.skip(1); err != nil {
				return true, err
			}
			continue
		}
		r.give(l)
		if err := d.cborField(c, l); err != nil {
			return true, err
		}
	}
}

// cborLabels are the labels in the order of their CBOR keys from bs, -6, to
// vd, 8 (RFC 8428 section 6, table 4).
var cborLabels = [...]label{
	labelBaseSum, labelBaseValue, labelBaseUnit, labelBaseTime, labelBaseName, labelBaseVersion,
	labelName, labelUnit, labelValue, labelStringValue, labelBoolValue, labelSum, labelTime, labelUpdateTime, labelDataValue,
}

const firstCBORKey = -6

// cborLabel reads a map's key. Labels come as integers; a known one spelt out is
// taken too, and other texts are extensions. A key that is neither is unknown.
func (d *Decoder) cborLabel(c *cborReader) (l label, known bool, err error) {
	h, err := c.head()
	if err != nil {
		return 0, false, err
	}
	switch h.major {
	case majorUint, majorNegative:
		if h.arg > uint64(len(cborLabels)) {
			return 0, false, nil
		}
		key := int(h.arg)
		if h.major == majorNegative {
			key = -1 - key
		}
		if key -= firstCBORKey; key < 0 || key >= len(cborLabels) {
			return 0, false, nil
		}
		return cborLabels[key], true, nil
	case majorText:
		var s []byte
		if s, d.arena, err = c.str(h, d.arena); err != nil {
			return 0, false, err
		}
		if l, known = parseLabel(string(s)); !known {
			d.rec.unknown(string(s))
		}
		return l, known, nil
	}
	return 0, false, c.skipRest(h, 1)
}

// cborField reads the value of l.
func (d *Decoder) cborField(c *cborReader, l label) error {
	r := &d.rec
	start := c.off
	h, err := c.head()
	if err != nil {
		return err
	}
	switch {
	case numberLabels.has(l):
		v, ok, err := c.number(h)
		if err != nil {
			return err
		}
		if r.number[l] = v; !ok {
			r.spoil(l, c.src[start:c.off])
		}
	case textLabels.has(l) && h.major == majorText:
		r.text[l], d.arena, err = c.str(h, d.arena)
		return err
	default:
		if err := c.skipRest(h, 1); err != nil {
			return err
		}
		if textLabels.has(l) {
			r.spoil(l, c.src[start:c.off])
		}
	}
	return nil
}
