package analysis

import (
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/analysis/wire"
)

// fuzzed is a dwelling with a state and a stretch, without their check sums.
func fuzzed() (study *greywatt.Study, d *greywatt.Dwelling, state, stretch []byte) {
	h := simulate.NewHouse("d", 3, simulate.Options{Days: 3, Nodes: 2, WasteFlow: true})
	study = &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	c := NewCourse(study, &study.Dwellings[0])
	frames := slices.Collect(h.Frames(nil))
	c.PushUntil(frames[0].At.Add(2.4*86400), frames)
	s := c.Take()
	state, stretch = c.State(), s.Marshal()
	return study, &study.Dwellings[0], state[:len(state)-4], stretch[:len(stretch)-4]
}

func sealed(b []byte, form string) []byte {
	var w wire.Writer
	w.Bytes(b)
	return w.Sealed(form)
}

// Bytes that pass their check sum and are yet nothing that was written are an error
// or a course that can be pushed on, and never take more memory than they have bytes
// for.
func FuzzResumeCourse(f *testing.F) {
	study, d, state, _ := fuzzed()
	f.Add(state)
	f.Add([]byte{})
	for i := 0; i < len(state); i += 97 {
		b := slices.Clone(state)
		b[i] ^= 0x55
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := ResumeCourse(study, d, sealed(b, courseForm))
		if err != nil {
			return
		}
		if c.AtRest() {
			c.State()
		}
	})
}

func FuzzUnmarshalStretch(f *testing.F) {
	_, d, _, stretch := fuzzed()
	f.Add(stretch)
	f.Add([]byte{})
	for i := 0; i < len(stretch); i += 997 {
		b := slices.Clone(stretch)
		b[i] ^= 0x55
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := UnmarshalStretch(d, sealed(b, stretchForm))
		if err == nil {
			s.Marshal()
		}
	})
}
