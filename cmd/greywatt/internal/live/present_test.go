package live

import (
	"math"
	"testing"

	"greywatt"
)

const t0 = greywatt.Instant(1_770_000_000_000_000)

func TestPresent(t *testing.T) {
	d := &twoDwellings().Dwellings[0]
	var p present
	take := func(node string, c greywatt.Channel, at float64, v float64) {
		p.take(d, &greywatt.Reading{Dwelling: d.ID, Node: node, Channel: c, At: t0.Add(at), Value: v})
	}
	// Offsets are subtracted, flows scaled and turned into l/min.
	take("n1", greywatt.WasteIn, 0, 36.5)
	take("n1", greywatt.Flow, 0, 0.1)
	if got := p.value(greywatt.WasteIn); got != 36 {
		t.Errorf("waste in %v, want 36.5 less the offset 0.5", got)
	}
	if got := p.value(greywatt.Flow); math.Abs(got-6.6) > 1e-12 {
		t.Errorf("flow %v l/min, want 0.1 l/s times 1.1 times 60", got)
	}
	if !p.running() || p.lastFlow != t0 {
		t.Error("6.6 l/min do not count as running water")
	}
	// What is older, and what a node says that the study does not ask, changes nothing.
	take("n1", greywatt.WasteIn, -5, 50)
	take("n1", greywatt.ColdIn, 1, 9)
	take("n3", greywatt.WasteIn, 2, 40)
	if p.value(greywatt.WasteIn) != 36 || !math.IsNaN(p.value(greywatt.ColdIn)) {
		t.Errorf("waste in %v, cold in %v", p.value(greywatt.WasteIn), p.value(greywatt.ColdIn))
	}
	take("n2", greywatt.ColdIn, 1, 9)
	if p.value(greywatt.ColdIn) != 9 {
		t.Errorf("cold in %v from the node that the study names, want 9", p.value(greywatt.ColdIn))
	}
	// Another node may take over after an hour's silence.
	take("n3", greywatt.WasteIn, 3700, 41)
	if p.value(greywatt.WasteIn) != 40.5 {
		t.Errorf("waste in %v after an hour, want the other node's 40.5", p.value(greywatt.WasteIn))
	}
	// A channel that fell silent while others go on has no present value.
	if !math.IsNaN(p.value(greywatt.ColdIn)) {
		t.Errorf("cold in %v, an hour old, shown as present", p.value(greywatt.ColdIn))
	}
	take("n1", greywatt.Flow, 3701, 0)
	if p.running() || p.lastFlow != t0 {
		t.Error("water still runs without flow")
	}
}

// Between the pulses of a coarse meter water runs on; a fine meter's first
// reading of nothing ends it.
func TestRunningByPulses(t *testing.T) {
	d := &twoDwellings().Dwellings[1]
	var p present
	now := 0
	flow := func(lmin float64) {
		now++
		p.take(d, &greywatt.Reading{Node: "n1", Channel: greywatt.Flow, At: t0.Add(float64(now)), Value: lmin / 60})
	}
	for range 3 { // not known yet for what it is
		flow(60)
		for range 6 {
			flow(0)
		}
	}
	for range 20 {
		flow(60)
		for range 6 {
			if flow(0); !p.running() {
				t.Fatalf("water does not run %d s after the start, by pulses of a litre each 7 s", now)
			}
		}
	}
	for range 25 {
		flow(0)
	}
	if p.running() {
		t.Error("water runs on without a pulse")
	}
	for range 10 {
		flow(9)
	}
	if flow(0); p.running() {
		t.Error("a fine meter's nothing does not end the water")
	}
}

// The drawing keeps its last minutes, bounded, and hands out what is new.
func TestTrack(t *testing.T) {
	d := &twoDwellings().Dwellings[1]
	var p present
	for i := range 40 * 3600 {
		p.take(d, &greywatt.Reading{Node: "n1", Channel: greywatt.WasteIn, At: t0.Add(float64(i) / 10), Value: float64(i)})
	}
	if n := len(p.track[greywatt.WasteIn]); n > drawnAtMost+128 {
		t.Errorf("%d points kept", n)
	}
	all := p.since(greywatt.WasteIn, 0)
	first, last := all[0], all[len(all)-1]
	if span := last.at.Sub(first.at); span < drawnS || last.at.Sub(t0) < 4*3600-1 {
		t.Errorf("%.0f s drawn up to %s", span, last.at)
	}
	for i := 1; i < len(all); i++ {
		if all[i].at.Sub(all[i-1].at) < pointEveryS {
			t.Fatalf("points %v apart", all[i].at.Sub(all[i-1].at))
		}
	}
	seq := p.seq
	p.take(d, &greywatt.Reading{Node: "n1", Channel: greywatt.WasteIn, At: last.at.Add(3), Value: 1})
	p.take(d, &greywatt.Reading{Node: "n1", Channel: greywatt.WasteOut, At: last.at.Add(3), Value: 2})
	if a, b := p.since(greywatt.WasteIn, seq), p.since(greywatt.WasteOut, seq); len(a) != 1 || a[0].v != 1 || len(b) != 1 || b[0].v != 2 {
		t.Errorf("new points %v %v", a, b)
	}
	if len(p.since(greywatt.WasteIn, p.seq)) != 0 {
		t.Error("points newer than the newest")
	}
}
