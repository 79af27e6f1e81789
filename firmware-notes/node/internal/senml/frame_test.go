package senml

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"greywatt"
)

// randomFrame returns a frame with some of the channels, of values and times as
// sensors and clocks give them and of any others.
func randomFrame(r *rand.Rand, atMS int64) Frame {
	f := Frame{AtMS: atMS}
	for c := range f.Value {
		switch r.IntN(5) {
		case 0:
			f.Value[c] = Absent
		case 1: // a 12-bit sensor
			f.Value[c] = Micro(62_500 * (r.IntN(2400) - 480))
		case 2: // hundredths
			f.Value[c] = Micro(10_000 * (r.IntN(15000) - 3000))
		default:
			f.Value[c] = Micro(r.IntN(150_000_000) - 30_000_000)
		}
		if greywatt.Channel(c).IsFlow() && f.Value[c] != Absent {
			f.Value[c] = Micro(r.IntN(6_000_000) - 1_000_000)
		}
	}
	if f.Empty() {
		f.Value[r.IntN(len(f.Value))] = 0
	}
	return f
}

func TestRecordRoundTrip(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for range 2000 {
		want := randomFrame(r, r.Int64())
		rec := want.AppendRecord(nil)
		got, err := ParseRecord(rec)
		if err != nil {
			t.Fatal(err)
		}
		if got != want {
			t.Fatalf("record\n%s", cmp.Diff(want, got))
		}
		for n := range rec {
			if f, err := ParseRecord(rec[:n]); err == nil {
				t.Fatalf("%d of %d bytes are read as %+v", n, len(rec), f)
			}
		}
		if f, err := ParseRecord(append(rec, 0)); err == nil {
			t.Fatalf("a byte too many is read as %+v", f)
		}
	}
}

func TestMicroOf(t *testing.T) {
	tests := []struct {
		v    float64
		want Micro
	}{
		{37.4375, 37_437_500},
		{-0.0000004, 0},
		{-29.9999996, -30_000_000},
		{2147.483647, math.MaxInt32},
		{2147.4836475, Absent},
		{-2147.483648, Absent}, // its number means that there is none
		{math.Inf(1), Absent},
		{math.NaN(), Absent},
	}
	for _, tt := range tests {
		if got := MicroOf(tt.v); got != tt.want {
			t.Errorf("MicroOf(%v) = %d, want %d", tt.v, got, tt.want)
		}
	}
	if v := Absent.Float(); !math.IsNaN(v) {
		t.Errorf("Absent is %v, want NaN", v)
	}
}
