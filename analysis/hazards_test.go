package analysis_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/simulate"
)

// hazardScore collects what becomes of the showers of dwellings with one hazard.
type hazardScore struct {
	showers, found, broken int // true ones; those of which one event is not named other draw; those with a second such event, or part of them named other draw
	measurable, measured   int // with settled flow for 60 s; of them with an effectiveness
	figures                int // with a whole-event effectiveness

	start, end                   []float64 // s
	volume, heat, eff, whole     []float64 // relative, and absolute for effectiveness
	volumeIn, heatIn             int
	effIn, wholeIn               int
	heatU, effU, wholeU          []float64
	flags                        map[event.Flag]int
	other, otherFound, otherWarm int // other draws over 25 s; named so; named shower
	notes                        []string
}

// match scores the events of one dwelling.
func (s *hazardScore) match(truth []simulate.Event, events []event.Event) {
	if s.flags == nil {
		s.flags = map[event.Flag]int{}
	}
	for i := range truth {
		t := &truth[i]
		var best *event.Event
		var most float64
		pieces, cold := 0, 0
		for j := range events {
			e := &events[j]
			o := min(t.End, e.End).Sub(max(t.Start, e.Start))
			if o <= 0 {
				continue
			}
			if e.Kind == event.OtherDraw {
				cold++
			} else {
				pieces++
			}
			if o > most {
				best, most = e, o
			}
		}
		if t.Kind == simulate.OtherDraw {
			if t.RunningS > 25 && !t.DataGap {
				s.other++
				switch {
				case best != nil && best.Kind == event.OtherDraw:
					s.otherFound++
				case best != nil:
					s.otherWarm++
				}
			}
			continue
		}
		s.showers++
		if pieces > 1 || cold > 0 {
			s.broken++
			if len(s.notes) < 20 {
				s.notes = append(s.notes, fmt.Sprintf("%s: %d events warm, %d cold; ran %.0f s in %d parts", t.Start, pieces, cold, t.RunningS, len(t.Parts)))
			}
		}
		if best == nil || best.Kind == event.OtherDraw {
			if len(s.notes) < 20 {
				s.notes = append(s.notes, fmt.Sprintf("%s: not found, %v", t.Start, best))
			}
			continue
		}
		s.found++
		s.shower(t, best)
	}
}

func (s *hazardScore) shower(t *simulate.Event, e *event.Event) {
	for _, f := range e.Flags {
		s.flags[f]++
	}
	s.start = append(s.start, math.Abs(e.Start.Sub(t.Start)))
	s.end = append(s.end, math.Abs(e.End.Sub(t.End)))
	s.volume = append(s.volume, math.Abs(e.VolumeL/t.VolumeL-1))
	if math.Abs(e.VolumeL-t.VolumeL) <= e.VolumeU95L {
		s.volumeIn++
	}
	if !math.IsNaN(e.HeatKWh) {
		s.heat = append(s.heat, math.Abs(e.HeatKWh/t.HeatKWh-1))
		s.heatU = append(s.heatU, e.HeatU95KWh/e.HeatKWh)
		if math.Abs(e.HeatKWh-t.HeatKWh) <= e.HeatU95KWh {
			s.heatIn++
		} else if len(s.notes) < 20 {
			s.notes = append(s.notes, fmt.Sprintf("%s: heat %.4f true %.4f u95 %.4f, volume %.1f true %.1f u95 %.1f, start %+.1f end %+.1f, silent %.0f %v", t.Start, e.HeatKWh, t.HeatKWh, e.HeatU95KWh, e.VolumeL, t.VolumeL, e.VolumeU95L, e.Start.Sub(t.Start), e.End.Sub(t.End), t.SilentS, e.Flags))
		}
	}
	if !math.IsNaN(e.EventEffectiveness) {
		s.figures++
		d := e.EventEffectiveness - t.EffEvent
		s.whole = append(s.whole, d)
		s.wholeU = append(s.wholeU, e.EventEffectivenessU95)
		if math.Abs(d) <= e.EventEffectivenessU95 {
			s.wholeIn++
		} else if len(s.notes) < 20 {
			s.notes = append(s.notes, fmt.Sprintf("%s %s: whole %.4f true %.4f u95 %.4f steady %.3f true %.3f, ran %.0f %v", t.Start, e.Connection, e.EventEffectiveness, t.EffEvent, e.EventEffectivenessU95, e.Effectiveness, t.EffActual, t.RunningS, e.Flags))
		}
	}
	if !t.Measurable {
		return
	}
	s.measurable++
	if math.IsNaN(e.Effectiveness) {
		return
	}
	s.measured++
	d := e.Effectiveness - t.EffActual
	s.eff = append(s.eff, d)
	s.effU = append(s.effU, e.EffectivenessU95)
	if math.Abs(d) <= e.EffectivenessU95 {
		s.effIn++
	}
}

// sizes returns the p-th percentile of |x|.
func sizes(x []float64, p float64) float64 {
	a := make([]float64, len(x))
	for i := range x {
		a[i] = math.Abs(x[i])
	}
	return pct(a, p)
}

func share(n, of int) float64 { return float64(n) / float64(of) }

// hazardBounds are the least shares of each hazard: of showers found; of volumes
// covered, less where a mixer that still warms up hides that a node woke late; of whole-event
// figures covered, and of showers that have one; of measurable showers measured; of
// other draws named so. Those whose mains side carries more than the waste side,
// unseen by clamps of u95 0.16 K, are covered as far as the heat balance tells.
var hazardBounds = map[simulate.HazardKind]struct{ found, volume, whole, known, measured, other float64 }{
	simulate.SilentNode:     {0.99, 0.90, 0.88, 0.98, 0.95, 0.97},
	simulate.LateNode:       {0.99, 0.65, 0.88, 0.98, 0.97, 0.97},
	simulate.HuntingMixer:   {0.99, 0.90, 0.88, 0.98, 0.97, 0.97},
	simulate.ResumedShower:  {0.99, 0.90, 0.85, 0.98, 0.95, 0.97},
	simulate.RestingLeak:    {0.99, 0.90, 0.85, 0.98, 0.97, 0.97},
	simulate.ShowerDrip:     {0.99, 0.90, 0.75, 0.98, 0.97, 0.97},
	simulate.TapInShowers:   {0.99, 0.90, 0.90, 0.98, 0.97, 0.97},
	simulate.FrozenClamp:    {0.98, 0.90, 0.85, 0.10, 0.10, 0.95},
	simulate.RailedClamp:    {0.98, 0.90, 0.85, 0.10, 0.10, 0.90},
	simulate.MissingChannel: {0.50, 0.90, 0.85, 0.10, 0.10, 0.50}, // the meter too: what it does not see is not found
	simulate.UnknownOffsets: {0.99, 0.90, 0.88, 0.98, 0.97, 0.97},
}

// Those whose sides carry unequal flow in connection A, or may, and those without a
// channel: the least share of effectiveness covered.
var effectivenessCovered = map[simulate.HazardKind]float64{
	simulate.RestingLeak: 0.90, simulate.ShowerDrip: 0.90, simulate.TapInShowers: 0.90, simulate.MissingChannel: 0.90,
}

// The hazards that touch single events.
var eventHazards = []simulate.HazardKind{
	simulate.SilentNode, simulate.LateNode, simulate.HuntingMixer, simulate.ResumedShower, simulate.RestingLeak,
	simulate.ShowerDrip, simulate.TapInShowers, simulate.FrozenClamp, simulate.RailedClamp, simulate.MissingChannel,
	simulate.UnknownOffsets,
}

// luck is two standard deviations of a share among n dwellings, of which the truth has
// p: offsets, a meter's scale and the unit are one draw a dwelling.
func luck(p float64, n int) float64 { return 2 * math.Sqrt(p*(1-p)/float64(n)) }

// TestHazards scores events where something goes wrong: with -v a row a hazard.
// All three models of the simulator take turns.
func TestHazards(t *testing.T) {
	t.Logf("%-16s %7s %6s %6s | %9s %9s | %-17s | %-23s | %-31s | %-31s", "hazard", "showers", "found", "broken", "start 95%", "end 95%", "volume 95% cover", "heat 95% u95 cover", "eff. 95% u95 cover measured", "whole 95% u95 cover known")
	if *only != "" && !slices.Contains(eventHazards, simulate.HazardKind(*only)) {
		t.Fatalf("-fault %s: no hazard of events; they are %v", *only, eventHazards)
	}
	for _, kind := range eventHazards {
		if *only != "" && *only != string(kind) {
			continue
		}
		var s hazardScore
		for i := range *seeds * 3 {
			h := simulate.HazardWith(kind, *first+uint64(i), simulate.HazardOptions{Days: 12}).Houses[0]
			var truth simulate.Truth
			_, got := eventsTold(h, &truth, nil)
			s.match(truth.Events, got)
		}
		t.Logf("%-16s %7d %6.3f %6.3f | %9.1f %9.1f | %7.4f %9.3f | %7.4f %6.4f %8.3f | %7.4f %6.4f %8.3f %7.3f | %7.4f %6.4f %8.3f %7.3f %+.4f",
			kind, s.showers, share(s.found, s.showers), share(s.broken, s.showers), pct(s.start, 0.95), pct(s.end, 0.95),
			pct(s.volume, 0.95), share(s.volumeIn, s.found), pct(s.heat, 0.95), pct(s.heatU, 0.5), share(s.heatIn, len(s.heat)),
			sizes(s.eff, 0.95), pct(s.effU, 0.5), share(s.effIn, s.measured), share(s.measured, s.measurable),
			sizes(s.whole, 0.95), pct(s.wholeU, 0.5), share(s.wholeIn, s.figures), share(s.figures, s.found), pct(s.whole, 0.5))
		t.Logf("other draws %d, named so %d, named shower %d; flags %v", s.other, s.otherFound, s.otherWarm, s.flags)
		for _, n := range s.notes {
			t.Log(n)
		}
		want := hazardBounds[kind]
		dwellings := *seeds * 3
		covered := func(p float64) float64 { return p - luck(p, dwellings) }
		for _, b := range []struct {
			what        string
			value, want float64
		}{
			{"showers found", share(s.found, s.showers), want.found},
			{"showers in one piece", 1 - share(s.broken, s.showers), want.found - 0.05},
			{"volume covered", share(s.volumeIn, s.found), covered(want.volume)},
			{"heat covered", share(s.heatIn, len(s.heat)), covered(0.90)},
			{"effectiveness covered", share(s.effIn, s.measured), covered(effectivenessCovered[kind])},
			{"whole event covered", share(s.wholeIn, s.figures), covered(want.whole)},
			{"showers with a figure of the whole event", share(s.figures, s.found), want.known},
			{"measurable showers measured", share(s.measured, s.measurable), want.measured},
			{"other draws named so", share(s.otherFound, s.other), want.other},
		} {
			if b.value < b.want {
				t.Errorf("%s: %s %.3f, want %.2f and more", kind, b.what, b.value, b.want)
			}
		}
	}
}

// In connection A both sides are taken to carry the same but for what heat balance and
// resting flow tell. Leaks, drips, second taps and overlapping draws there, in A alone,
// where both sides carry unequal flow or seem to: at least nine in ten of the figures
// within their u95.
func TestUnequalFlowInA(t *testing.T) {
	const days = 8
	hazard := func(kind simulate.HazardKind) func(uint64) *simulate.House {
		return func(seed uint64) *simulate.House {
			return simulate.HazardWith(kind, seed, simulate.HazardOptions{Days: days, Connection: greywatt.ConnectionA}).Houses[0]
		}
	}
	overlapping := func(seed uint64) *simulate.House {
		h := simulate.NewHouse(fmt.Sprintf("overlap-%d", seed), seed, simulate.Options{Days: days, Connection: greywatt.ConnectionA, ShowersPerDay: 2.2})
		h.Habits.Overlap, h.Habits.OtherPerDay = 0.8, 12
		return h
	}
	for _, c := range []struct {
		name  string
		house func(seed uint64) *simulate.House
	}{
		{string(simulate.RestingLeak), hazard(simulate.RestingLeak)}, {string(simulate.ShowerDrip), hazard(simulate.ShowerDrip)},
		{string(simulate.TapInShowers), hazard(simulate.TapInShowers)}, {"overlapping draws", overlapping},
	} {
		if *only != "" && *only != c.name {
			continue
		}
		var s hazardScore
		dwellings := 6 * *seeds
		for i := range dwellings {
			var truth simulate.Truth
			was := s
			_, got := eventsTold(c.house(*first+uint64(i)), &truth, nil)
			s.match(truth.Events, got)
			if n := s.measured - was.measured; n > 0 {
				t.Logf("%s, seed %d: effectiveness covered %d of %d, whole event %d of %d, heat %d of %d", c.name, *first+uint64(i),
					s.effIn-was.effIn, n, s.wholeIn-was.wholeIn, s.figures-was.figures, s.heatIn-was.heatIn, len(s.heat)-len(was.heat))
			}
		}
		t.Logf("%s: %d showers of %d dwellings; effectiveness error, 95th percentile, %.4f, u95 %.4f, bias %+.4f, covered %.3f; whole event %.4f, u95 %.4f, bias %+.4f, covered %.3f; heat covered %.3f; volume covered %.3f",
			c.name, s.found, dwellings, sizes(s.eff, 0.95), pct(s.effU, 0.5), pct(s.eff, 0.5), share(s.effIn, s.measured),
			sizes(s.whole, 0.95), pct(s.wholeU, 0.5), pct(s.whole, 0.5), share(s.wholeIn, s.figures), share(s.heatIn, len(s.heat)), share(s.volumeIn, s.found))
		for _, n := range s.notes {
			t.Log(n)
		}
		for what, covered := range map[string]float64{"effectiveness": share(s.effIn, s.measured), "whole event": share(s.wholeIn, s.figures), "heat": share(s.heatIn, len(s.heat))} {
			if least := 0.90 - luck(0.90, dwellings); covered < least {
				t.Errorf("%s: %s covered in %.3f, want %.3f and more", c.name, what, covered, least)
			}
		}
	}
}
