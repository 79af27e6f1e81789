package event

import (
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
)

func showerHouse(seed uint64, c greywatt.Connection) *simulate.House {
	return simulate.NewHouse("x", seed, simulate.Options{Days: 2, Connection: c, Nodes: 1})
}

// without returns an edit that deletes the frames between two moments, both left.
func without(from, to greywatt.Instant) func([]greywatt.Frame) []greywatt.Frame {
	return func(fs []greywatt.Frame) []greywatt.Frame {
		return slices.DeleteFunc(fs, func(f greywatt.Frame) bool { return f.At > from && f.At < to })
	}
}

// every returns an edit that changes each frame.
func every(change func(*greywatt.Frame)) func([]greywatt.Frame) []greywatt.Frame {
	return func(fs []greywatt.Frame) []greywatt.Frame {
		for i := range fs {
			change(&fs[i])
		}
		return fs
	}
}

// Running time is that between the first and the last reading of each run: never
// more than the event's span.
func TestRunningWithinDuration(t *testing.T) {
	for seed := range uint64(4) {
		events, _ := analysed(showerHouse(seed, greywatt.ConnectionA), nil)
		for _, e := range events {
			if e.RunningS > e.DurationS+1e-9 {
				t.Errorf("%s: ran %.3f s of %.3f s", e.ID, e.RunningS, e.DurationS)
			}
		}
	}
}

// A node that falls silent in the middle of a shower leaves one event. What ran
// unseen is in its volume and heat, with an uncertainty that covers it.
func TestSilenceInAShower(t *testing.T) {
	for _, silence := range []float64{60, 110, 170} {
		whole, truth := analysed(showerHouse(3, greywatt.ConnectionA), nil)
		s := firstShower(t, truth)
		from := s.Start.Add(90)
		events, _ := analysed(showerHouse(3, greywatt.ConnectionA), without(from, from.Add(silence)))
		if len(events) != len(whole) {
			t.Errorf("silence of %g s: %d events, want %d", silence, len(events), len(whole))
		}
		e := at(events, s.Start.Add(30))
		switch {
		case e == nil:
			t.Errorf("silence of %g s: no event", silence)
		case !e.Has(FlagGap) || e.Kind != Partial:
			t.Errorf("silence of %g s: %s with flags %v, want partial with a gap", silence, e.Kind, e.Flags)
		case math.Abs(e.End.Sub(s.End)) > 3 || math.Abs(e.HiddenS-0.95*(silence-1)) > 3:
			t.Errorf("silence of %g s: ends %+.0f s off, %.0f s hidden", silence, e.End.Sub(s.End), e.HiddenS)
		case math.Abs(e.VolumeL-s.VolumeL) > e.VolumeU95L || e.VolumeU95L < 0.15*e.HiddenS/60*e.FlowLMin:
			t.Errorf("silence of %g s: %.1f ± %.1f l, true %.1f l", silence, e.VolumeL, e.VolumeU95L, s.VolumeL)
		case math.Abs(e.HeatKWh-s.HeatKWh) > e.HeatU95KWh:
			t.Errorf("silence of %g s: %.3f ± %.3f kWh, true %.3f kWh", silence, e.HeatKWh, e.HeatU95KWh, s.HeatKWh)
		case math.Abs(e.EventEffectiveness-s.EffEvent) > e.EventEffectivenessU95:
			t.Errorf("silence of %g s: %.3f ± %.3f of the whole event, true %.3f", silence, e.EventEffectiveness, e.EventEffectivenessU95, s.EffEvent)
		}
	}
}

// A node that wakes late shows flow that is full at its first reading: the event is
// flagged, and its start and volume reach back.
func TestLateWaking(t *testing.T) {
	for _, seed := range []uint64{3, 5, 7} {
		on, truth := analysed(showerHouse(seed, greywatt.ConnectionA), nil)
		s := firstShower(t, truth)
		inTime := at(on, s.Start.Add(60))
		if e := inTime; e.Has(FlagWokenLate) || e.HiddenS != 0 {
			t.Errorf("seed %d: woke in time, %.0f s hidden, flags %v", seed, e.HiddenS, e.Flags)
		}
		for _, late := range []float64{15, 30} {
			events, _ := analysed(showerHouse(seed, greywatt.ConnectionA), without(s.Start.Add(-8), s.Start.Add(late)))
			e := at(events, s.Start.Add(60))
			if e == nil {
				t.Fatalf("seed %d: no event", seed)
			}
			if !e.Has(FlagWokenLate) {
				t.Errorf("seed %d, %g s late: flags %v", seed, late, e.Flags)
			}
			if d := math.Abs(e.Start.Sub(s.Start)); d > 0.7*late+3 {
				t.Errorf("seed %d, %g s late: start off by %.0f s", seed, late, d)
			}
			if math.Abs(e.VolumeL-s.VolumeL) > e.VolumeU95L {
				t.Errorf("seed %d, %g s late: %.1f ± %.1f l, true %.1f l", seed, late, e.VolumeL, e.VolumeU95L, s.VolumeL)
			}
			if math.Abs(e.HeatKWh-inTime.HeatKWh) > e.HeatU95KWh {
				t.Errorf("seed %d, %g s late: %.3f ± %.3f kWh, %.3f ± %.3f in time", seed, late, e.HeatKWh, e.HeatU95KWh, inTime.HeatKWh, inTime.HeatU95KWh)
			}
		}
	}
}

// A valve that opens at once shows full flow at the first reading of a node that was
// in time: start, volume and heat stay where they are, within their uncertainty.
func TestPromptValve(t *testing.T) {
	for _, seed := range []uint64{3, 5, 7} {
		on, truth := analysed(showerHouse(seed, greywatt.ConnectionA), nil)
		s := firstShower(t, truth)
		inTime := at(on, s.Start.Add(60))
		asleep := without(s.Start.Add(-8), s.Start)
		events, _ := analysed(showerHouse(seed, greywatt.ConnectionA), func(fs []greywatt.Frame) []greywatt.Frame {
			fs = asleep(fs)
			full := math.NaN()
			for i := len(fs) - 1; i >= 0; i-- {
				f := &fs[i]
				if math.IsNaN(f.Value[greywatt.Flow]) || f.At < s.Start || f.At > s.Start.Add(8) {
					continue
				}
				if math.IsNaN(full) {
					full = f.Value[greywatt.Flow]
				}
				f.Value[greywatt.Flow] = full * (1 + 0.002*float64(i%3))
			}
			return fs
		})
		e := at(events, s.Start.Add(60))
		switch {
		case e == nil:
			t.Errorf("seed %d: no event", seed)
		case e.HiddenS == 0:
			t.Errorf("seed %d: nothing was taken for full", seed)
		case math.Abs(e.Start.Sub(s.Start)) > 6:
			t.Errorf("seed %d: starts %+.1f s off", seed, e.Start.Sub(s.Start))
		case math.Abs(e.VolumeL-inTime.VolumeL) > e.VolumeU95L || math.Abs(e.HeatKWh-inTime.HeatKWh) > e.HeatU95KWh:
			t.Errorf("seed %d: %.1f ± %.1f l, %.3f ± %.3f kWh, where it rose %.1f l, %.3f kWh", seed, e.VolumeL, e.VolumeU95L, e.HeatKWh, e.HeatU95KWh, inTime.VolumeL, inTime.HeatKWh)
		}
	}
}

// losing returns an edit that loses a third of the frames, and all between from and to.
func losing(seed uint64, from, to greywatt.Instant) func([]greywatt.Frame) []greywatt.Frame {
	rng := rand.New(rand.NewPCG(seed, 3))
	return func(fs []greywatt.Frame) []greywatt.Frame {
		return slices.DeleteFunc(fs, func(f greywatt.Frame) bool { return rng.IntN(3) == 0 || f.At > from && f.At < to })
	}
}

// Where frames are lost, those of the first seconds may be: flow that is full at the
// first reading then says nothing of the node. A clamp that is cold already still does.
func TestLostFramesAreNoLateWaking(t *testing.T) {
	for _, seed := range []uint64{3, 5, 7} {
		_, truth := analysed(showerHouse(seed, greywatt.ConnectionA), nil)
		s := firstShower(t, truth)
		for _, unseen := range []float64{2, 3, 4} {
			events, _ := analysed(showerHouse(seed, greywatt.ConnectionA), losing(seed, s.Start, s.Start.Add(unseen)))
			e := at(events, s.Start.Add(60))
			if e == nil || e.Has(FlagWokenLate) || math.Abs(e.Start.Sub(s.Start)) > unseen+4 {
				t.Errorf("seed %d, first %g s lost: %v, want a start within %g s of %v and no late waking", seed, unseen, e, unseen+4, s.Start)
			}
		}
		events, _ := analysed(showerHouse(seed, greywatt.ConnectionA), losing(seed, s.Start.Add(-8), s.Start.Add(40)))
		if e := at(events, s.Start.Add(60)); e == nil || !e.Has(FlagWokenLate) || math.Abs(e.Start.Sub(s.Start)) > 30 {
			t.Errorf("seed %d, 40 s late: %v, want a late waking and a start within 30 s of %v", seed, e, s.Start)
		}
	}
}

// Every shower has a figure of the whole event, short or restless ones too, and the
// flow meter's scale is no part of it.
func TestWholeEventEffectiveness(t *testing.T) {
	for _, c := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC} {
		events, truth := analysed(showerHouse(11, c), nil)
		scaled, _ := analysed(showerHouse(11, c), every(func(f *greywatt.Frame) { f.Value[greywatt.Flow] *= 1.05 }))
		n := 0
		for _, s := range truth.Events {
			e := at(events, s.Start.Add(20))
			if s.Kind != simulate.Shower || s.OverlapS > 0 || e == nil {
				continue
			}
			n++
			if !(math.Abs(e.EventEffectiveness-s.EffEvent) <= max(e.EventEffectivenessU95, 0.03*s.EffEvent)) {
				t.Errorf("%s: %.3f ± %.3f, true %.3f", e.ID, e.EventEffectiveness, e.EventEffectivenessU95, s.EffEvent)
			}
			if x := at(scaled, s.Start.Add(20)); x != nil && math.Abs(x.EventEffectiveness-e.EventEffectiveness) > 0.003 {
				t.Errorf("%s: %.4f with a meter 5 %% off, %.4f without", e.ID, x.EventEffectiveness, e.EventEffectiveness)
			}
		}
		if n == 0 {
			t.Errorf("connection %s: no shower", c)
		}
	}
}

// A shower is found by flow and the clamps that are left, whichever one has died
// and however it reports.
func TestDeadClampsHideNoShower(t *testing.T) {
	flags := greywatt.Ports[Flag]{WasteIn: FlagNoWasteIn, WasteOut: FlagNoWasteOut, ColdIn: FlagNoColdIn, PreheatOut: FlagNoPreheatOut}
	good, truth := analysed(showerHouse(3, greywatt.ConnectionA), nil)
	for c, flag := range flags.All() {
		for _, reading := range []float64{-127, 85, 17.3125, math.NaN()} {
			events, _ := analysed(showerHouse(3, greywatt.ConnectionA), every(func(f *greywatt.Frame) { f.Value[c] = reading }))
			for _, s := range truth.Events {
				was, is := at(good, s.Start.Add(20)), at(events, s.Start.Add(20))
				if s.Kind != simulate.Shower || was == nil {
					continue
				}
				switch {
				case is == nil || is.Kind == OtherDraw || is.Start != was.Start || is.End != was.End:
					t.Errorf("%s at %g: %s is no longer one shower", c, reading, was.ID)
				case !is.Has(flag):
					t.Errorf("%s at %g: flags %v", c, reading, is.Flags)
				}
			}
		}
	}
}

// Water that runs at rest is on the event, and not in the thresholds of the draw.
func TestRestingFlow(t *testing.T) {
	for _, leak := range []float64{0, 0.12, 0.45} {
		events, truth := analysed(showerHouse(3, greywatt.ConnectionA), every(func(f *greywatt.Frame) {
			if v := &f.Value[greywatt.Flow]; *v < 0.3/60 || leak > 0 {
				*v += leak / 60
			}
		}))
		s := firstShower(t, truth)
		e := at(events, s.Start.Add(60))
		if e == nil || math.Abs(e.End.Sub(s.End)) > 3 {
			t.Fatalf("leak of %g l/min: the shower is not found as it was", leak)
		}
		if !(math.Abs(e.RestFlowLMin-leak) <= 0.01+2*e.RestFlowULMin) || !(e.RestFlowULMin < 0.03) {
			t.Errorf("leak of %g l/min: %.3f, standard uncertainty %.3f", leak, e.RestFlowLMin, e.RestFlowULMin)
		}
	}
}

// A mixer that hunts leaves a steady part, with the flow's mean.
func TestHuntingMixer(t *testing.T) {
	for _, period := range []float64{12, 22, 38} {
		hunts := func(seed uint64) *simulate.House {
			h := showerHouse(seed, greywatt.ConnectionA)
			h.Faults = []simulate.Fault{{Kind: simulate.MixerHunting, Size: 0.06, PeriodS: period}}
			return h
		}
		events, truth := analysed(hunts(3), nil)
		n := 0
		for _, s := range truth.Events {
			e := at(events, s.Start.Add(60))
			if s.Kind != simulate.Shower || s.RunningS < 240 || s.OverlapS > 0 || e == nil {
				continue
			}
			n++
			if math.IsNaN(e.Effectiveness) {
				t.Errorf("hunting every %g s: %s has no effectiveness, flags %v", period, e.ID, e.Flags)
			} else if !math.IsNaN(s.EffActual) && math.Abs(e.Effectiveness-s.EffActual) > e.EffectivenessU95 {
				t.Errorf("hunting every %g s: %s is %.4f ± %.4f, true %.4f", period, e.ID, e.Effectiveness, e.EffectivenessU95, s.EffActual)
			}
		}
		if n == 0 {
			t.Error("no long shower")
		}
	}
}

// Every flag that is documented occurs, by what its comment says.
func TestEveryFlagOccurs(t *testing.T) {
	seen := map[Flag]bool{}
	take := func(h *simulate.House, edit func([]greywatt.Frame) []greywatt.Frame) {
		events, _ := analysed(h, edit)
		for i := range events {
			for _, f := range events[i].Flags {
				seen[f] = true
			}
		}
	}
	house := func(o simulate.Options) *simulate.House {
		o.Days = 2
		if o.Connection == 0 {
			o.Connection = greywatt.ConnectionA
		}
		o.Nodes = 1
		return simulate.NewHouse("x", 3, o)
	}
	_, truth := analysed(house(simulate.Options{}), nil)
	s := firstShower(t, truth)
	none := func(c greywatt.Channel) func([]greywatt.Frame) []greywatt.Frame {
		return every(func(f *greywatt.Frame) { f.Value[c] = math.NaN() })
	}
	plain := func() *simulate.House { return house(simulate.Options{}) }
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		take(plain(), none(c))
	}
	take(house(simulate.Options{NoAmbient: true}), nil)
	take(house(simulate.Options{Connection: greywatt.ConnectionB}), nil)
	take(house(simulate.Options{Connection: greywatt.ConnectionB}), none(greywatt.WasteOut))
	take(plain(), without(s.Start.Add(90), s.Start.Add(150)))
	take(plain(), without(s.Start.Add(-8), s.Start.Add(25)))
	take(plain(), without(s.Start.Add(-1200), s.Start.Add(60)))
	take(plain(), without(s.End.Add(-60), s.End.Add(600)))
	take(plain(), without(s.Start.Add(100), s.End.Add(-100)))
	take(plain(), every(func(f *greywatt.Frame) { // a tap left running
		if f.At > s.Start {
			f.Value[greywatt.Flow] = max(f.Value[greywatt.Flow], 0.1)
		}
	}))
	take(plain(), every(func(f *greywatt.Frame) {
		f.Value[greywatt.WasteIn] = min(f.Value[greywatt.WasteIn], f.Value[greywatt.ColdIn]+5)
	}))
	take(plain(), every(func(f *greywatt.Frame) { f.Value[greywatt.PreheatOut] += 40 }))
	take(plain(), every(func(f *greywatt.Frame) {
		f.Value[greywatt.ColdIn], f.Value[greywatt.PreheatOut] = f.Value[greywatt.PreheatOut], f.Value[greywatt.ColdIn]
	}))
	take(plain(), every(func(f *greywatt.Frame) { // temperatures at the pace of rest
		if f.At.Sub(s.Start) > -60 && int64(f.At/1e6)%100 > 0 {
			for c := greywatt.WasteIn; c.IsPort(); c++ {
				f.Value[c] = math.NaN()
			}
		}
	}))
	take(plain(), every(func(f *greywatt.Frame) {
		if f.At > s.Start.Add(60) && f.At < s.Start.Add(600) {
			f.Value[greywatt.PreheatOut] = math.NaN()
		}
	}))
	take(plain(), every(func(f *greywatt.Frame) {
		if int64(f.At/1e6)%50 == 0 {
			f.Value[greywatt.WasteIn] = 85
		}
	}))
	take(plain(), every(func(f *greywatt.Frame) { // half a litre a minute a digit
		f.Value[greywatt.Flow] = math.Round(f.Value[greywatt.Flow]*60/3+0.5*math.Sin(float64(f.At))) * 3 / 60
	}))
	for _, share := range []float64{0.5, 1} {
		h := plain()
		h.Habits.Overlap, h.Habits.Pause, h.Habits.Near, h.Habits.Short, h.Habits.OtherPerDay = share, share, 1, 0.5, 60
		take(h, nil)
	}
	h := plain()
	h.Habits.Pause = 1
	_, paused := analysed(h, nil)
	for _, s := range paused.Events { // a tap in each pause
		for i := 1; s.Kind == simulate.Shower && i < len(s.Parts); i++ {
			from, to := s.Parts[i-1].To.Add(6), s.Parts[i].From.Add(-6)
			h := plain()
			h.Habits.Pause = 1
			take(h, every(func(f *greywatt.Frame) {
				if f.At > from && f.At < min(to, from.Add(15)) {
					f.Value[greywatt.Flow] = 0.05
				}
			}))
		}
	}
	for _, kind := range []simulate.HazardKind{simulate.TapInShowers, simulate.ResumedShower, simulate.RestingLeak} {
		for seed := range uint64(4) {
			take(simulate.HazardWith(kind, seed, simulate.HazardOptions{Days: 4, Connection: greywatt.ConnectionA}).Houses[0], nil)
		}
	}
	for _, f := range documentedFlags(t) {
		if !seen[f] {
			t.Errorf("no event carries %q", f)
		}
	}
}

// documentedFlags reads the flags off the source.
func documentedFlags(t *testing.T) []Flag {
	t.Helper()
	packages, err := parser.ParseFile(token.NewFileSet(), "measure.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var flags []Flag
	ast.Inspect(packages, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok || len(v.Values) != 1 {
			return true
		}
		if id, ok := v.Type.(*ast.Ident); ok && id.Name == "Flag" {
			if text, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value); err == nil {
				flags = append(flags, Flag(text))
			}
		}
		return true
	})
	if len(flags) < 20 {
		t.Fatalf("%d flags in the source", len(flags))
	}
	return flags
}
