// Package plan says before a study what its sensors, showers and dwellings will
// resolve, by the budgets that its events will have.
package plan

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/summary"
)

// A Design is a study to be: one dwelling that stands for all, its usual shower, and
// how many there will be.
type Design struct {
	Dwelling greywatt.Dwelling // connection, exchanger and sensors with what their batches share

	FlowLMin    float64 // mixed water of a shower, l/min, 3 to 30
	Minutes     float64 // of a shower, 2 to 60
	MainsC      float64 // °C, 1 to 30
	WasteInC    float64 // °C, at least 10 above MainsC, at most 50
	MainsPerMix float64 // of connections B and C: mains flow through the unit over FlowLMin, 0.1 to 1

	ShowersPerWeek float64 // that can be measured, above 0
	Weeks          float64 // above 0
	Dwellings      int     // at least 1

	Scatter float64 // standard deviation of the ratio from shower to shower, beyond what sensors do
	Between float64 // standard deviation of the ratio from unit to unit
}

// A Plan is what a design resolves. Uncertainties are expanded, k = 2, or half of a
// 95 % interval where few dwellings widen it.
type Plan struct {
	Showers int // of a dwelling

	Effectiveness, EffectivenessU95 float64 // of a shower
	RatioU95                        float64
	HeatKWh, HeatU95KWh             float64

	Dwelling summary.Shares // of the median ratio of a dwelling
	Study    summary.Shares // of the mean ratio of these dwellings
	MeanU95  float64        // of the mean ratio of dwellings like these, Between included; NaN for one dwelling

	DwellingHeatU95Relative float64 // of the heat of a dwelling over the whole time
	StudyHeatU95Relative    float64 // of the heat of all dwellings

	// Smallest changes of a dwelling's conductance, relative, that a test with a
	// confidence of 0.95 finds with a probability of 0.8, where season, flow and dirt
	// can be told apart.
	Step      float64 // for good, in the middle of the time
	Fouling   float64 // steady, over the whole time
	CleanedBy float64 // mean effect of one cleaning of each dwelling in the middle of the time; NaN for one
}

// ErrNoFigure says that the shower of a design is too short or too cold for an
// effectiveness.
var ErrNoFigure = errors.New("the usual shower gives no effectiveness: it is too short, or too cold, for this unit")

// Of returns what a design resolves. Its errors name the figure that is out of
// range, or are ErrNoFigure.
func Of(d Design) (Plan, error) {
	if err := d.check(); err != nil {
		return Plan{}, err
	}
	e, err := d.shower()
	if err != nil {
		return Plan{}, err
	}
	n := max(1, int(math.Round(d.ShowersPerWeek*d.Weeks)))
	k := float64(d.Dwellings)
	dwelling := d.summarise(e, n)
	p := Plan{
		Showers:       n,
		Effectiveness: e.Effectiveness, EffectivenessU95: e.EffectivenessU95, RatioU95: e.RatioU95,
		HeatKWh: e.HeatKWh, HeatU95KWh: e.HeatU95KWh,
		Dwelling: dwelling.Ratio.Shares(),
		MeanU95:  math.NaN(), CleanedBy: math.NaN(),
	}
	p.Study = p.Dwelling
	p.Study.OwnU95 /= math.Sqrt(k)
	if d.Dwellings > 1 {
		t := distuv.StudentsT{Sigma: 1, Nu: k - 1}.Quantile((1 + confidence) / 2)
		own := t * math.Hypot(d.Between, p.Dwelling.OwnU95/2) / math.Sqrt(k)
		p.MeanU95 = math.Sqrt(own*own + p.Dwelling.BatchU95*p.Dwelling.BatchU95 + p.Dwelling.MethodU95*p.Dwelling.MethodU95)
	}
	heat := dwelling.HeatShares
	p.DwellingHeatU95Relative = heat.U95() / dwelling.HeatKWh
	heat.OwnU95 /= math.Sqrt(k)
	p.StudyHeatU95Relative = heat.U95() / dwelling.HeatKWh

	sigma := d.conductanceScatter(e)
	half := float64(n) / 2
	p.Step = sigma * math.Sqrt(2/half) * detectable(float64(n)-2)
	p.Fouling = sigma * math.Sqrt(12/float64(n)) * detectable(float64(n)-2)
	if d.Dwellings > 1 {
		ofOne := sigma * math.Sqrt(2/half)
		p.CleanedBy = math.Hypot(ofOne, d.Between) / math.Sqrt(k) * detectable(k-1)
	}
	return p, nil
}

// Needed returns the least number of dwellings, at most most, with which MeanU95 is
// u95 or less; ok is false where not even most do.
func Needed(d Design, u95 float64, most int) (dwellings int, ok bool, err error) {
	lo, hi := 2, most
	reaches := func(k int) bool {
		var p Plan
		d.Dwellings = k
		if p, err = Of(d); err != nil {
			return false
		}
		return p.MeanU95 <= u95
	}
	if !reaches(hi) {
		return 0, false, err
	}
	for lo < hi {
		if m := (lo + hi) / 2; reaches(m) {
			hi = m
		} else {
			lo = m + 1
		}
	}
	return lo, true, err
}

func (d *Design) check() error {
	for _, c := range []struct {
		what       string
		is, lo, hi float64
	}{
		{"the shower's flow, l/min,", d.FlowLMin, 3, 30}, {"the shower's length, minutes,", d.Minutes, 2, 60},
		{"the mains temperature, °C,", d.MainsC, 1, 30}, {"the waste's temperature, °C,", d.WasteInC, d.MainsC + 10, 50},
		{"the mains flow over the shower's", d.MainsPerMix, 0.1, 1},
		{"the number of showers a week", d.ShowersPerWeek, 0.1, 500}, {"the number of weeks", d.Weeks, 0.1, 1000},
		{"the number of dwellings", float64(d.Dwellings), 1, 100000},
		{"the scatter from shower to shower", d.Scatter, 0, 0.5}, {"the spread between units", d.Between, 0, 0.5},
	} {
		if !(c.is >= c.lo && c.is <= c.hi) {
			return fmt.Errorf("%s is %g; state one from %g to %g", c.what, c.is, c.lo, c.hi)
		}
	}
	if len(d.Dwelling.Exchanger.Rated) == 0 {
		return errors.New("the unit has no rated point; state its flow and effectiveness")
	}
	return nil
}

const (
	node   = "node"
	restS  = 900.0 // before and after the shower
	noiseK = 0.03  // of a reading: common practice for digital clamps of 1/16 K
	unitS  = 20.0  // time constant of the unit after the water has come; common practice
	roomC  = 20.0
)

// shower analyses the usual shower as the study's events will be.
func (d *Design) shower() (*event.Event, error) {
	flows := exchanger.Flows{WasteLMin: d.FlowLMin, MainsLMin: d.FlowLMin}
	if d.Dwelling.Connection != greywatt.ConnectionA {
		flows.MainsLMin *= d.MainsPerMix
	}
	inlets := exchanger.Inlets{ColdInC: d.MainsC, WasteInC: d.WasteInC}
	x := exchanger.NewRating(d.Dwelling.Exchanger).At(flows, inlets)
	moved := x.Effectiveness * min(flows.MainsLMin, flows.WasteLMin) * (d.WasteInC - d.MainsC)
	preheat, out := d.MainsC+moved/flows.MainsLMin, d.WasteInC-moved/flows.WasteLMin

	dwelling := d.Dwelling
	dwelling.Sensors = slices.Clone(dwelling.Sensors)
	metered := false
	for i := range dwelling.Sensors {
		s := &dwelling.Sensors[i]
		s.Node = "" // one node here reports them all
		metered = metered || s.Channel == greywatt.WasteFlow
	}
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{dwelling}}
	a := event.NewAnalyser(study, &study.Dwellings[0])
	start := greywatt.InstantOf(time.Date(2026, 1, 1, 7, 0, 0, 0, time.UTC))
	var events []event.Event
	end := restS + 60*d.Minutes
	surface := greywatt.Ports[float64]{WasteIn: roomC, WasteOut: roomC, ColdIn: roomC, PreheatOut: roomC}
	for i := 0; float64(i) < end+restS; i++ {
		t := float64(i)
		v := greywatt.NoValues()
		port := greywatt.Ports[float64]{WasteIn: roomC, WasteOut: roomC, ColdIn: roomC, PreheatOut: roomC}
		v[greywatt.Flow] = 0
		wasteFlow := 0.0
		if t >= restS && t < end {
			v[greywatt.Flow] = flows.MainsLMin / event.LMinPerLS
			wasteFlow = flows.WasteLMin / event.LMinPerLS
			come := func(level float64) float64 { return level + (roomC-level)*math.Exp(-(t-restS)/unitS) }
			port = greywatt.Ports[float64]{WasteIn: come(d.WasteInC), WasteOut: come(out), ColdIn: come(d.MainsC), PreheatOut: come(preheat)}
		}
		if metered {
			v[greywatt.WasteFlow] = wasteFlow
		}
		for c, water := range port.All() {
			s, _ := dwelling.Sensor(c, node)
			shown := surface.Of(c)
			follows := 1.0
			if s.ResponseS > 0 {
				follows = 1 - math.Exp(-1/s.ResponseS)
			}
			*shown += follows * (water - s.LossFraction*(water-roomC) - *shown)
			v[c] = *shown + s.OffsetK + noiseK*scattered(i, int(c))
		}
		events = append(events, a.Push([]greywatt.Frame{{At: start.Add(t), Node: node, Value: v}})...)
	}
	events = append(events, a.Close()...)
	for i := range events {
		if e := &events[i]; e.Kind == event.Shower && !math.IsNaN(e.RatioU95) {
			return e, nil
		}
	}
	return nil, ErrNoFigure
}

// scattered returns a value of a sequence that is spread as a normal distribution:
// the same always, and different for each channel.
func scattered(i, channel int) float64 {
	_, share := math.Modf(float64(i+1)*math.Phi + 0.37*float64(channel))
	return distuv.UnitNormal.Quantile(min(max(share, 1e-6), 1-1e-6))
}

// summarise returns the summary of n such showers, whose ratios differ.
func (d *Design) summarise(e *event.Event, n int) summary.Summary {
	scatter := math.Hypot(d.Scatter, event.RandomU(e.Budgets.Ratio))
	events := make([]event.Event, n)
	for i := range events {
		events[i] = *e
		events[i].Ratio += scatter * distuv.UnitNormal.Quantile((float64(i)+0.5)/float64(n))
	}
	return summary.OfDwelling(&d.Dwelling, time.UTC, events, nil).Summary
}

// conductanceScatter is the standard deviation of the logarithm of the conductance
// from shower to shower.
func (d *Design) conductanceScatter(e *event.Event) float64 {
	perRatio := 1.0
	if ofRatio := event.RandomU(e.Budgets.Ratio); ofRatio > 0 && e.UARatioRandom > 0 {
		perRatio = e.UARatioRandom / ofRatio
	}
	return math.Hypot(e.UARatioRandom, perRatio*d.Scatter) / e.UARatio
}
