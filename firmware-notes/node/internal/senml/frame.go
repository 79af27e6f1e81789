// Package senml holds what a node samples and writes it as SenML packs
// (RFC 8428), in JSON or CBOR. It is written from the RFCs, for nodes, and
// shares nothing with the logger's decoder but the names of the channels, so
// that each can be held against the other.
//
// Readings are whole numbers of millionths, as a board without floating point
// would keep them: every number on the wire is then an exact decimal, and the
// same bytes come out however often a frame is sent.
package senml

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"greywatt"
)

// A Micro is a reading in millionths of its channel's unit: °C, or l/s of a
// flow. It reaches to ±2147, far beyond what a clamp can show.
type Micro int32

// Absent stands for a channel without a reading.
const Absent Micro = math.MinInt32

// MicroOf rounds v, in °C or l/s. It returns [Absent] for NaN and for what does
// not fit.
func MicroOf(v float64) Micro {
	m := math.Round(v * 1e6)
	if !(math.Abs(m) <= math.MaxInt32) {
		return Absent
	}
	return Micro(m)
}

// Float returns the reading in °C or l/s, NaN for [Absent]: the float64 nearest
// to the decimal that goes on the wire.
func (m Micro) Float() float64 {
	if m == Absent {
		return math.NaN()
	}
	return float64(m) / 1e6
}

// A Frame is what a node read at one instant.
type Frame struct {
	AtMS  int64 // ms since 1970-01-01 UTC
	Value [greywatt.NumChannels]Micro
}

// FrameOf returns the frame of readings in °C and l/s.
func FrameOf(atMS int64, v greywatt.Values) Frame {
	f := Frame{AtMS: atMS}
	for c := range v {
		f.Value[c] = MicroOf(v[c])
	}
	return f
}

// Empty reports whether no channel has a reading.
func (f *Frame) Empty() bool {
	for _, v := range f.Value {
		if v != Absent {
			return false
		}
	}
	return true
}

// AppendRecord appends the frame as a node keeps it on flash, big-endian: 8
// bytes of time, a byte with a bit for each channel that has a reading (waste-in
// is bit 0), and 4 bytes for each of those. Six channels make 33 bytes.
func (f *Frame) AppendRecord(dst []byte) []byte {
	dst = binary.BigEndian.AppendUint64(dst, uint64(f.AtMS))
	mask := len(dst)
	dst = append(dst, 0)
	for c, v := range f.Value {
		if v != Absent {
			dst[mask] |= 1 << c
			dst = binary.BigEndian.AppendUint32(dst, uint32(v))
		}
	}
	return dst
}

// ParseRecord reads what [Frame.AppendRecord] wrote.
func ParseRecord(rec []byte) (Frame, error) {
	const head = 9
	if len(rec) < head {
		return Frame{}, errors.New("record of a frame: cut short")
	}
	f := Frame{AtMS: int64(binary.BigEndian.Uint64(rec))}
	mask, rest := rec[8], rec[head:]
	for c := range f.Value {
		f.Value[c] = Absent
		if mask&(1<<c) == 0 {
			continue
		}
		if len(rest) < 4 {
			return Frame{}, errors.New("record of a frame: cut short")
		}
		f.Value[c], rest = Micro(binary.BigEndian.Uint32(rest)), rest[4:]
	}
	if len(rest) > 0 || mask>>greywatt.NumChannels != 0 {
		return Frame{}, fmt.Errorf("record of a frame: %d bytes and channels %07b do not fit together", len(rec), mask)
	}
	return f, nil
}
