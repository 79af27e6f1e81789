package main

import (
	"math"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/firmware-notes/node/internal/senml"
	"greywatt/ingest/studyfile"
)

// The node's pace gives greywatt's analysis what it needs: it finds each of the
// flat's showers, to the second, and the effectiveness that the flat was made
// with.
func TestPaceIsEnough(t *testing.T) {
	study, err := studyfile.Read(strings.NewReader(`
[[dwelling]]
id = "larch-04"
connection = "A"
exchanger.rated = [ { flow_l_min = 8, effectiveness = 0.55 } ]
`))
	if err != nil {
		t.Fatal(err)
	}
	const length = 12 * time.Hour
	s := newSampler(openBuffer(t, 8<<20), &virtualClock{start: arrival}, newFlat(5))
	s.length = length
	a := event.NewAnalyser(study, &study.Dwellings[0])
	var events []event.Event
	s.echo = func(f senml.Frame) error {
		v := greywatt.NoValues()
		for c, m := range f.Value {
			v[c] = m.Float()
		}
		events = append(events, a.Push([]greywatt.Frame{{At: greywatt.Instant(f.AtMS * 1000), Node: "n1", Value: v}})...)
		return nil
	}
	if err := s.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	events = append(events, a.Close()...)

	type shower struct{ begins, ends, flowLS float64 }
	var showers []shower
	twin := newFlat(5)
	for at := time.Duration(0); at < length; at += time.Second {
		if _, err := twin.read(at); err != nil {
			t.Fatal(err)
		}
		if s := (shower{twin.begins.Seconds(), twin.ends.Seconds(), twin.flowLS}); twin.running() && (len(showers) == 0 || showers[len(showers)-1] != s) {
			showers = append(showers, s)
		}
	}
	if len(events) != len(showers) || len(showers) < 8 {
		t.Fatalf("%d events, and the flat had %d showers", len(events), len(showers))
	}
	begin := greywatt.InstantOf(arrival)
	for i, e := range events {
		want := showers[i]
		if e.Kind != event.Shower {
			t.Errorf("%s is a %s", e.ID, e.Kind)
		}
		if got := e.Start.Sub(begin); math.Abs(got-want.begins) > 2 {
			t.Errorf("%s begins at %v s, want %v s", e.ID, got, want.begins)
		}
		if got := e.End.Sub(begin); math.Abs(got-want.ends) > 2 && i < len(events)-1 {
			t.Errorf("%s ends at %v s, want %v s", e.ID, got, want.ends)
		}
		// 0.02: the flow's noise, the clamps' steps, and the pipes' lag
		if eff := effectivenessAt8 * math.Pow(want.flowLS*60/8, -0.3); !(math.Abs(e.Effectiveness-eff) < 0.02) {
			t.Errorf("%s: effectiveness %.3f, want %.3f", e.ID, e.Effectiveness, eff)
		}
	}
}
