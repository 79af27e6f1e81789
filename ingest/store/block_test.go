package store

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"greywatt"
)

func TestBlockRoundTrip(t *testing.T) {
	column := func(values ...float64) []greywatt.Frame {
		var frames []greywatt.Frame
		for i, v := range values {
			f := greywatt.Frame{At: t0 + greywatt.Instant(i*i)*7, Node: "n", Value: greywatt.NoValues()}
			f.Value[i%3], f.Value[5] = v, v
			frames = append(frames, f)
		}
		return frames
	}
	single := column(36.6, 21.37, 9.25)
	for i := range single {
		for ch, v := range single[i].Value {
			single[i].Value[ch] = float64(float32(v))
		}
	}
	for name, frames := range map[string][]greywatt.Frame{
		"one frame":       column(21.5),
		"no values":       {{At: 1, Node: "n", Value: greywatt.NoValues()}, {At: maxInstant - 1, Node: "n", Value: greywatt.NoValues()}},
		"sixteenths":      column(21.0625, 21.125, 20.9375, 21),
		"hundredths":      column(21.37, -0.01, 0, 99.99),
		"nine digits":     column(21.370000001, 20.999999999),
		"litres a minute": column(9.5/60, 7.25/60, 0),
		"single":          single,
		"awkward":         column(awkward...),
		"minus zero":      column(math.Copysign(0, -1)),
		"huge steps":      column(9e15, -9e15, 1),
		"not finite":      column(math.Inf(1), math.Inf(-1), 3),
		"two days":        newStreet(1, 0.01, true).days("n", 2),
	} {
		t.Run(name, func(t *testing.T) {
			data := newBlockEncoder().encode([]byte("before"), frames)
			got, err := newBlockDecoder().decode(nil, data[len("before"):], "n")
			if err != nil || !sameFrames(got, frames) {
				t.Fatalf("%d frames, %v; want %d\n%v\n%v", len(got), err, len(frames), got[:min(len(got), 3)], frames[:min(len(frames), 3)])
			}
		})
	}
}

// TestBlockScale checks that common ways of reporting end up as small integers,
// not as raw floats.
func TestBlockScale(t *testing.T) {
	for name, k := range map[string]struct {
		values func(i int) float64
		scale  scale
		digits int
	}{
		"sixteenths":      {func(i int) float64 { return float64(i) / 16 }, scaleDecimal, 4},
		"hundredths":      {func(i int) float64 { v, _ := strconv.ParseFloat(strconv.Itoa(i)+"e-2", 64); return v }, scaleDecimal, 2},
		"whole":           {func(i int) float64 { return float64(i) }, scaleDecimal, 0},
		"litres a minute": {func(i int) float64 { return float64(i) / 100 / 60 }, scaleSixtieth, 2},
		"single":          {func(i int) float64 { return float64(float32(i) / 100) }, scaleSingle, 2},
	} {
		e := newBlockEncoder()
		for i := range 5000 {
			e.vals = append(e.vals, k.values(i-1000))
		}
		s := scaleDecimal
		digits, ok := e.fit(s)
		for !ok && s+1 < numScales {
			s++
			digits, ok = e.fit(s)
		}
		if !ok || s != k.scale || digits != k.digits {
			t.Errorf("%s: scale %d, %d digits, %t; want scale %d, %d digits", name, s, digits, ok, k.scale, k.digits)
		}
	}
}

// TestFormatExample holds the code to the example in FORMAT.md, and that to the
// layout which the code writes.
func TestFormatExample(t *testing.T) {
	text, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	_, example, ok := strings.Cut(string(text), "An example, unpacked")
	if !ok {
		t.Fatal("FORMAT.md has no example")
	}
	var want []byte
	for _, m := range regexp.MustCompile(`(?m)^    ((?:[0-9a-f]{2} )*[0-9a-f]{2})  `).FindAllStringSubmatch(example, -1) {
		b, err := hex.DecodeString(strings.ReplaceAll(m[1], " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, b...)
	}
	frames := make([]greywatt.Frame, 3)
	for i, v := range []float64{36.0625, 36.125, 36} {
		frames[i] = greywatt.Frame{At: t0 + greywatt.Instant(i)*1_000_000, Node: "n", Value: greywatt.NoValues()}
		frames[i].Value[greywatt.WasteIn] = v
	}
	frames[2].Value[greywatt.Flow] = 0.1
	e := newBlockEncoder()
	e.encode(nil, frames)
	if !bytes.Equal(e.buf, want) {
		t.Errorf("the example packs to\n% x, FORMAT.md says\n% x", e.buf, want)
	}
	if got, err := unpackFrames(nil, want, "n"); err != nil || !sameFrames(got, frames) {
		t.Errorf("FORMAT.md's example unpacks to %v, %v", got, err)
	}
}

func FuzzBlockDecode(f *testing.F) {
	e := newBlockEncoder()
	data := e.encode(nil, newStreet(1, 1.0/16, true).days("n", 1)[:50])
	f.Add(data)
	f.Add(data[:len(data)/2])
	f.Add([]byte{blockVersion})
	d := newBlockDecoder()
	f.Fuzz(func(t *testing.T, data []byte) {
		if frames, err := d.decode(nil, data, "n"); err == nil && len(frames) == 0 {
			t.Fatal("no frames and no error")
		}
	})
}

// FuzzUnpackFrames goes past the compression and its checksum.
func FuzzUnpackFrames(f *testing.F) {
	e := newBlockEncoder()
	for _, frames := range [][]greywatt.Frame{newStreet(1, 1.0/16, true).days("n", 1)[:20], {{At: 5, Value: greywatt.Values{math.Pi, math.NaN()}}}} {
		e.encode(nil, frames)
		f.Add(slices.Clone(e.buf))
	}
	d := newBlockDecoder()
	f.Fuzz(func(t *testing.T, data []byte) {
		frames, err := unpackFrames(nil, data, "n")
		if err != nil {
			return
		}
		for i := range frames {
			if i > 0 && frames[i].At <= frames[i-1].At {
				t.Fatal("instants do not ascend")
			}
		}
		again, err := d.decode(nil, e.encode(nil, frames), "n")
		if err != nil || !sameFrames(again, frames) {
			t.Fatalf("what was unpacked does not pack: %v", err)
		}
	})
}

// FuzzBlockRoundTrip packs frames made of arbitrary bits.
func FuzzBlockRoundTrip(f *testing.F) {
	f.Add([]byte("0123456789abcdef0123456789abcdef"), uint8(3))
	f.Add(binary.LittleEndian.AppendUint64(nil, math.Float64bits(21.37)), uint8(0))
	e, d := newBlockEncoder(), newBlockDecoder()
	f.Fuzz(func(t *testing.T, data []byte, digits uint8) {
		var frames []greywatt.Frame
		at := greywatt.Instant(1)
		for len(data) >= 10 {
			fr := greywatt.Frame{At: at, Node: "n", Value: greywatt.NoValues()}
			bits := binary.LittleEndian.Uint64(data)
			v := math.Float64frombits(bits)
			if digits <= maxDigits {
				v = float64(int64(bits)>>20) / pow10[digits]
			}
			fr.Value[data[8]%greywatt.NumChannels] = v
			at += 1 + greywatt.Instant(data[9])*1000
			frames = append(frames, fr)
			data = data[10:]
		}
		if len(frames) == 0 {
			return
		}
		got, err := d.decode(nil, e.encode(nil, frames), "n")
		if err != nil || !sameFrames(got, frames) {
			t.Fatalf("%v: %v, want %v", err, got, frames)
		}
	})
}
