package analysis_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
)

var variant = flag.String("variant", "", "`JSON` of simulate.Options for the accuracy test")

var houses = flag.Int("houses", 24, "simulated dwellings in the accuracy tests")

// score collects errors over many dwellings, each with its own physics, people
// and sensors.
type score struct {
	found, missed, extra               int // showers
	otherFound, otherMissed, otherAs   int // other draws over 25 s
	start, end, volume, heat, eff, rat []float64
	heatIn, effIn, ratIn               int
	u95                                []float64
	measurable, measured               int
	by                                 map[string][]float64
	worst                              []string
}

func (s *score) dwelling(h *simulate.House) {
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	a := analysis.NewAnalyser(study, &study.Dwellings[0])
	var got []analysis.Event
	var truth simulate.Truth
	batch := make([]greywatt.Frame, 0, 256)
	for f := range h.Frames(&truth) {
		if batch = append(batch, f); len(batch) == cap(batch) {
			got = append(got, a.Push(batch)...)
			batch = batch[:0]
		}
	}
	got = append(got, a.Push(batch)...)
	got = append(got, a.Close()...)
	s.match(h, truth.Events, got)
}

// match pairs events with the truth by overlap in time.
func (s *score) match(h *simulate.House, truth []simulate.Event, got []analysis.Event) {
	used := make([]bool, len(got))
	for i := range truth {
		t := &truth[i]
		best, bestS := -1, 0.0
		for j := range got {
			o := min(t.End, got[j].End).Sub(max(t.Start, got[j].Start))
			if o > bestS && !used[j] {
				best, bestS = j, o
			}
		}
		if t.DataGap {
			if best >= 0 {
				used[best] = true
			}
			continue
		}
		if t.Kind == simulate.OtherDraw {
			if best >= 0 && got[best].Kind == analysis.OtherDraw {
				used[best] = true
				if t.RunningS > 25 {
					s.otherFound++
				}
			} else if t.RunningS > 25 {
				s.otherMissed++
				what := "nothing"
				if best >= 0 {
					what = string(got[best].Kind) + " " + got[best].ID
				}
				s.note("%s %s %v: other draw of %.0f s named %s", h.Dwelling.ID, t.Start, h.Dwelling.Connection, t.RunningS, what)
			}
			continue
		}
		if best < 0 || got[best].Kind != analysis.Shower {
			s.missed++
			what := "nothing"
			if best >= 0 {
				what = fmt.Sprintf("%s %v", got[best].Kind, got[best].Flags)
			}
			s.note("%s %s %v: shower of %.0f s named %s", h.Dwelling.ID, t.Start, h.Dwelling.Connection, t.RunningS, what)
			continue
		}
		used[best] = true
		s.found++
		s.shower(h, t, &got[best])
	}
	for j := range got {
		if !used[j] && got[j].Kind == analysis.Shower {
			s.extra++
			s.note("%s %s: shower without one, %.0f s", h.Dwelling.ID, got[j].Start, got[j].RunningS)
		}
		if !used[j] && got[j].Kind == analysis.OtherDraw && got[j].RunningS > 25 {
			within := false
			for i := range truth {
				within = within || truth[i].Kind == simulate.OtherDraw && min(truth[i].End, got[j].End) > max(truth[i].Start, got[j].Start)
			}
			if !within {
				s.otherAs++
				s.note("%s %s: other draw without one, %.0f s", h.Dwelling.ID, got[j].Start, got[j].RunningS)
			}
		}
	}
}

func (s *score) note(format string, args ...any) {
	if len(s.worst) < 40 {
		s.worst = append(s.worst, fmt.Sprintf(format, args...))
	}
}

func (s *score) shower(h *simulate.House, t *simulate.Event, e *analysis.Event) {
	ds, de := math.Abs(e.Start.Sub(t.Start)), math.Abs(e.End.Sub(t.End))
	s.start = append(s.start, ds)
	s.end = append(s.end, de)
	if ds > 6 || de > 6 {
		s.note("%s %s %v: start off %.0f s, end off %.0f s", h.Dwelling.ID, t.Start, h.Dwelling.Connection, e.Start.Sub(t.Start), e.End.Sub(t.End))
	}
	s.volume = append(s.volume, math.Abs(e.VolumeL/t.VolumeL-1))
	dh := e.HeatKWh - t.HeatKWh
	s.heat = append(s.heat, math.Abs(dh/t.HeatKWh))
	if math.Abs(dh) <= e.HeatU95KWh {
		s.heatIn++
	}
	if !t.Measurable {
		return
	}
	s.measurable++
	if math.IsNaN(e.Effectiveness) {
		s.note("%s %s: not measured: %v (settled %.0f s)", h.Dwelling.ID, t.Start, e.Flags, t.SettledS)
		return
	}
	s.measured++
	d := e.Effectiveness - t.EffActual
	s.eff = append(s.eff, math.Abs(d))
	s.u95 = append(s.u95, e.EffectivenessU95)
	if math.Abs(d) <= e.EffectivenessU95 {
		s.effIn++
	}
	r := e.Ratio/t.Ratio - 1
	s.rat = append(s.rat, math.Abs(r))
	if s.by == nil {
		s.by = map[string][]float64{}
	}
	for _, k := range []string{"ratio " + h.Dwelling.Connection.String(), "ratio " + string(h.Physics.Model), "ratio " + string(h.Physics.Law)} {
		s.by[k] = append(s.by[k], r)
	}
	s.by["waste "+h.Dwelling.Connection.String()] = append(s.by["waste "+h.Dwelling.Connection.String()], e.WasteFlowLMin/t.WasteFlowLMin-1)
	for _, k := range []string{"eff " + h.Dwelling.Connection.String(), "eff " + string(h.Physics.Model)} {
		s.by[k] = append(s.by[k], d)
	}
	if math.Abs(e.Ratio-t.Ratio) <= e.RatioU95 {
		s.ratIn++
	}
	if math.Abs(d) > 0.015 {
		s.note("%s %s %v %v: effectiveness %.4f true %.4f ±%.4f, steady %.0f of %.0f s, flags %v", h.Dwelling.ID, t.Start, h.Dwelling.Connection, h.Physics.Model, e.Effectiveness, t.EffActual, e.EffectivenessU95, e.SteadyS, t.SettledS, e.Flags)
	}
}

func pct(x []float64, p float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[min(len(s)-1, int(p*float64(len(s))))]
}

func f1(found, missed, extra int) float64 {
	return 2 * float64(found) / float64(2*found+missed+extra)
}

// row is one line of the table: a figure, what it is and what it should be.
type row struct {
	name   string
	value  float64
	lo, hi float64
}

func (s *score) rows() []row {
	inf := math.Inf(1)
	n := float64(s.measured)
	return []row{
		{"showers found, F1", f1(s.found, s.missed, s.extra), 0.99, 1},
		{"other draws over 25 s named so, F1", f1(s.otherFound, s.otherMissed, s.otherAs), 0.97, 1},
		{"start error, 95th percentile, s", pct(s.start, 0.95), 0, 6},
		{"end error, 95th percentile, s", pct(s.end, 0.95), 0, 6},
		{"volume error, 95th percentile", pct(s.volume, 0.95), 0, 0.04},
		{"whole-event heat error, 95th percentile", pct(s.heat, 0.95), 0, 0.05},
		{"share of measurable showers measured", float64(s.measured) / float64(s.measurable), 0.95, 1},
		{"effectiveness error, median", pct(s.eff, 0.5), 0, 0.004},
		{"effectiveness error, 95th percentile", pct(s.eff, 0.95), 0, 0.010},
		{"effectiveness_u95, median", pct(s.u95, 0.5), 0, 0.011},
		{"coverage of effectiveness_u95", float64(s.effIn) / n, 0.93, 0.98},
		{"coverage of heat_u95_kwh", float64(s.heatIn) / float64(len(s.heat)), 0.93, 0.98},
		{"coverage of ratio_u95", float64(s.ratIn) / n, 0.93, 0.98},
		{"ratio error, 95th percentile", pct(s.rat, 0.95), 0, 0.03},
		{"showers", float64(s.found), 0, inf},
	}
}

// TestAccuracy scores the analysis against simulated dwellings whose truth is
// known: every one has physics, plumbing, people and sensors of its own, drawn
// at random; clamps of u95 0.16 K, flow within 2.5 %.
func TestAccuracy(t *testing.T) {
	options := simulate.Options{Days: 14}
	if *variant != "" {
		if err := json.Unmarshal([]byte(*variant), &options); err != nil {
			t.Fatal(err)
		}
	}
	var s score
	for i := range *houses {
		h := simulate.NewHouse(fmt.Sprintf("h%02d", i), uint64(1000+i), options)
		s.dwelling(h)
	}
	for _, r := range s.rows() {
		ok := r.value >= r.lo && r.value <= r.hi
		mark := " "
		if !ok {
			mark = "!"
			t.Errorf("%s is %.4f, want %g to %g", r.name, r.value, r.lo, r.hi)
		}
		t.Logf("%s %-42s %8.4f   (%g to %g)", mark, r.name, r.value, r.lo, r.hi)
	}
	for k, v := range s.by {
		t.Logf("%-20s n %4d  median %+.4f   5..95 %% %+.4f %+.4f", k, len(v), pct(v, 0.5), pct(v, 0.05), pct(v, 0.95))
	}
	for _, w := range s.worst {
		t.Log(w)
	}
}
