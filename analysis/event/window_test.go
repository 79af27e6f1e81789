package event

import (
	"math"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
)

// analysed runs the analyser over a house's frames, changed by edit.
func analysed(h *simulate.House, edit func([]greywatt.Frame) []greywatt.Frame) (events []Event, truth simulate.Truth) {
	frames := slices.Collect(h.Frames(&truth))
	if edit != nil {
		frames = edit(frames)
	}
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	a := NewAnalyser(study, &study.Dwellings[0])
	events = a.Push(frames)
	return append(events, a.Close()...), truth
}

// firstShower returns the first long shower of the truth.
func firstShower(t *testing.T, truth simulate.Truth) simulate.Event {
	t.Helper()
	for _, e := range truth.Events {
		if e.Kind == simulate.Shower && e.RunningS > 200 && e.OverlapS == 0 && len(e.Parts) == 1 && e.GapBeforeS > 1800 {
			return e
		}
	}
	t.Fatal("no such shower")
	return simulate.Event{}
}

func at(events []Event, when greywatt.Instant) *Event {
	for i := range events {
		if events[i].Start <= when && events[i].End >= when {
			return &events[i]
		}
	}
	return nil
}

// A gap in the readings hides the start, the middle or the end of a shower: the
// event is partial and says which. A gap of one clamp does not hide the flow.
func TestGaps(t *testing.T) {
	house := func() *simulate.House {
		return simulate.NewHouse("x", 3, simulate.Options{Days: 2, Connection: greywatt.ConnectionA, Nodes: 1})
	}
	_, truth := analysed(house(), nil)
	s := firstShower(t, truth)
	middle := s.Start.Add(s.End.Sub(s.Start) / 2)
	for _, c := range []struct {
		name     string
		from, to greywatt.Instant
		flag     Flag
	}{
		{"start", s.Start.Add(-1200), s.Start.Add(60), FlagStartHidden},
		{"middle", middle.Add(-30), middle.Add(30), FlagGap},
		{"end", s.End.Add(-60), s.End.Add(600), FlagEndHidden},
	} {
		events, _ := analysed(house(), func(fs []greywatt.Frame) []greywatt.Frame {
			return slices.DeleteFunc(fs, func(f greywatt.Frame) bool { return f.At > c.from && f.At < c.to })
		})
		when := middle
		if c.name == "middle" {
			when = s.Start.Add(30)
		}
		e := at(events, when)
		if e == nil {
			t.Errorf("%s: no event", c.name)
			continue
		}
		if e.Kind != Partial || !e.Has(c.flag) {
			t.Errorf("%s: %s with flags %v, want partial with %s", c.name, e.Kind, e.Flags, c.flag)
		}
	}
	events, _ := analysed(house(), func(fs []greywatt.Frame) []greywatt.Frame {
		for i := range fs {
			fs[i].Value[greywatt.WasteIn] = math.NaN()
		}
		return fs
	})
	e := at(events, middle)
	if e == nil || e.Kind != Shower || !e.Has(FlagNoWasteIn) || !math.IsNaN(e.Effectiveness) || math.IsNaN(e.HeatKWh) {
		t.Errorf("without waste-in: %+v; want a shower with heat, no effectiveness and the flag", e)
	}
	events, _ = analysed(house(), func(fs []greywatt.Frame) []greywatt.Frame {
		for i := range fs {
			fs[i].Value[greywatt.PreheatOut] = math.NaN()
		}
		return fs
	})
	e = at(events, middle)
	if e == nil || e.Kind != Shower || !e.Has(FlagNoPreheatOut) || !e.Has(FlagHeatIncomplete) || !math.IsNaN(e.HeatKWh) {
		t.Errorf("without preheat-out: %+v; want a shower without heat, with the flags: no gap hides a part of it", e)
	}
}

// Analysed in pieces, as a live logger does, the events are those of one pass;
// a traced event is the same again.
func TestPiecewiseAndTraced(t *testing.T) {
	h := simulate.NewHouse("x", 5, simulate.Options{Days: 3})
	whole, _ := analysed(h, nil)
	frames := slices.Collect(simulate.NewHouse("x", 5, simulate.Options{Days: 3}).Frames(nil))
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	a := NewAnalyser(study, &study.Dwellings[0])
	var pieces []Event
	for i := range frames {
		pieces = append(pieces, a.Push(frames[i:i+1])...)
	}
	pieces = append(pieces, a.Close()...)
	if len(pieces) != len(whole) {
		t.Fatalf("%d events in pieces, %d at once", len(pieces), len(whole))
	}
	for i := range whole {
		if pieces[i].ID != whole[i].ID || pieces[i].HeatKWh != whole[i].HeatKWh ||
			pieces[i].EffectivenessU95 != whole[i].EffectivenessU95 && !math.IsNaN(whole[i].EffectivenessU95) {
			t.Errorf("event %d: %s in pieces, %s at once", i, pieces[i].ID, whole[i].ID)
		}
	}
	e, tr, ok := trace(&study.Dwellings[0], frames, whole[len(whole)/2].ID)
	if !ok || e.HeatKWh != whole[len(whole)/2].HeatKWh || len(tr.At) == 0 || len(tr.At) != len(tr.Port[greywatt.PreheatOut]) {
		t.Errorf("traced: %t, %s", ok, e.ID)
	}
}

// A sensor's declared offset and scale act as the study file says: the offset is
// taken from the reading, the flow is multiplied.
func TestOffsetAndScale(t *testing.T) {
	h := simulate.NewHouse("x", 6, simulate.Options{Days: 1, Connection: greywatt.ConnectionA})
	base, _ := analysed(h, nil)
	shifted := h.Dwelling
	shifted.Sensors = slices.Clone(h.Dwelling.Sensors)
	for i := range shifted.Sensors {
		s := &shifted.Sensors[i]
		if s.Channel == greywatt.Flow {
			s.Scale *= 2
		} else if !s.Channel.IsFlow() {
			s.OffsetK += 0.5
		}
	}
	h.Dwelling = shifted
	moved, _ := analysed(h, func(fs []greywatt.Frame) []greywatt.Frame {
		for i := range fs {
			for c := range greywatt.Channel(greywatt.NumChannels) {
				if c == greywatt.Flow {
					fs[i].Value[c] /= 2
				} else if !c.IsFlow() {
					fs[i].Value[c] += 0.5
				}
			}
		}
		return fs
	})
	if len(base) != len(moved) || len(base) == 0 {
		t.Fatalf("%d and %d events", len(base), len(moved))
	}
	for i := range base {
		if d := math.Abs(base[i].VolumeL - moved[i].VolumeL); d > 1e-6 {
			t.Errorf("%s: volume moved by %g l", base[i].ID, d)
		}
		if d := math.Abs(base[i].Effectiveness - moved[i].Effectiveness); d > 1e-9 {
			t.Errorf("%s: effectiveness moved by %g", base[i].ID, d)
		}
	}
}

// Where two nodes report a channel and the study names neither, the first one is
// used until it has been silent for an hour.
func TestTwoNodesOneChannel(t *testing.T) {
	h := simulate.NewHouse("x", 7, simulate.Options{Days: 1, Connection: greywatt.ConnectionA, Nodes: 1})
	for i := range h.Dwelling.Sensors {
		h.Dwelling.Sensors[i].Node = ""
	}
	base, _ := analysed(h, nil)
	doubled, _ := analysed(h, func(fs []greywatt.Frame) []greywatt.Frame {
		var out []greywatt.Frame
		for _, f := range fs {
			g := f
			g.Node, g.At = "stray", f.At+1
			for c := range g.Value {
				g.Value[c] += 3
			}
			out = append(out, f, g)
		}
		return out
	})
	if len(base) != len(doubled) {
		t.Fatalf("%d events, %d with a stray node", len(base), len(doubled))
	}
	for i := range base {
		if base[i].HeatKWh != doubled[i].HeatKWh {
			t.Errorf("%s: the stray node changed the heat", base[i].ID)
		}
	}
}

// A node that falls silent is replaced: an hour later the events are those of the
// other node alone, and before its silence those of the first.
func TestAnotherNodeTakesOver(t *testing.T) {
	h := simulate.NewHouse("x", 7, simulate.Options{Days: 2, Connection: greywatt.ConnectionA, Nodes: 1})
	for i := range h.Dwelling.Sensors {
		h.Dwelling.Sensors[i].Node = ""
	}
	frames := slices.Collect(h.Frames(nil))
	ends := frames[0].At.Add(86400) // of the first node's readings
	analyse := func(name string, both bool) []Event {
		var out []greywatt.Frame
		for _, f := range frames {
			g := f
			g.Node, g.At = "second", f.At+1
			for c := range g.Value {
				g.Value[c] *= 1.02
			}
			if (both || name == f.Node) && f.At < ends {
				out = append(out, f)
			}
			if both || name == g.Node {
				out = append(out, g)
			}
		}
		study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
		a := NewAnalyser(study, &study.Dwellings[0])
		return append(a.Push(out), a.Close()...)
	}
	part := func(events []Event, from, to greywatt.Instant) []Event {
		return slices.DeleteFunc(slices.Clone(events), func(e Event) bool { return e.Start < from || e.Start >= to })
	}
	both, first, second := analyse("", true), analyse(frames[0].Node, false), analyse("second", false)
	for _, tt := range []struct {
		name      string
		want      []Event
		from, to  greywatt.Instant
		tolerance float64 // the corrections run through both nodes' readings soon after the change
	}{
		{"before the silence", first, 0, ends.Add(-2 * 3600), 0},
		{"after the silence", second, ends.Add(2 * 3600), frames[len(frames)-1].At, 0.002},
	} {
		got, want := part(both, tt.from, tt.to), part(tt.want, tt.from, tt.to)
		if len(want) < 3 || len(got) != len(want) {
			t.Fatalf("%s: %d events, want the %d of that node, three at least", tt.name, len(got), len(want))
		}
		for i := range want {
			if d := math.Abs(got[i].HeatKWh/want[i].HeatKWh - 1); d > tt.tolerance {
				t.Errorf("%s: %s has %.4f kWh, want that node's %.4f", tt.name, got[i].ID, got[i].HeatKWh, want[i].HeatKWh)
			}
		}
	}
}

// trace analyses frames for one event and its series.
func trace(d *greywatt.Dwelling, frames []greywatt.Frame, id string) (Event, Trace, bool) {
	a := NewAnalyser(&greywatt.Study{}, d)
	a.Trace(id)
	a.Push(frames)
	a.Close()
	return a.Traced()
}
