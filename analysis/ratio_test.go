package analysis_test

import (
	"flag"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/simulate"
	"greywatt/analysis/water"
)

var perDwelling = flag.Bool("split", false, "print the ratio's error and its parts of each dwelling in the accuracy test")

// A ratioError is the error of one shower's ratio and what it is made of, each as
// ln: they add up. The last three belong to what is expected; they would be there
// with perfect sensors.
type ratioError struct {
	dwelling        string
	connection      greywatt.Connection
	mainsC          float64
	flowRatio       float64 // true, mains over waste
	total, u95      float64
	within          bool    // u95
	effectiveness   float64 // of the measured effectiveness
	flows           float64 // of what is expected, through the measured flows
	certificate     float64 // of what is expected at equal flow of the smaller one
	flowLaw         float64 // of what unequal flow adds to that
	temperatureLaw  float64 // of what the event's temperatures add to that
	temperatureKind string
}

// temperatureKind names the strength of a unit's dependence on temperature. No
// correlation read gives a film below 0.9 % of its conductance per kelvin or a coil
// below 0.8 %.
func temperatureKind(p *simulate.Physics) string {
	switch {
	case p.InletFactor:
		return "published factor"
	case p.Geometry.Film == "" && p.FilmPerK < 0.008 && p.MainsPerK < 0.008:
		return "below correlations"
	}
	return "correlations"
}

func splitRatio(h *simulate.House, t *simulate.Event, e *event.Event, rating *exchanger.Rating) ratioError {
	waste := t.WasteFlowLMin * water.MassFlow(1, t.Port[0]) / water.MassFlow(1, t.Port[2]) // as litres of mains water
	flows := exchanger.Flows{WasteLMin: waste, MainsLMin: t.FlowLMin}
	small := min(waste, t.FlowLMin)
	here := rating.At(flows, exchanger.Inlets{WasteInC: t.Port[0], ColdInC: t.Port[2]})
	bench := rating.At(flows, rating.Inlets()).Effectiveness
	equal := rating.At(exchanger.Flows{WasteLMin: small, MainsLMin: small}, rating.Inlets()).Effectiveness
	r := ratioError{
		dwelling: h.Dwelling.ID, connection: e.Connection, mainsC: t.Port[2], flowRatio: t.FlowLMin / waste,
		total:           math.Log(e.Ratio / t.Ratio),
		u95:             e.RatioU95,
		within:          math.Abs(e.Ratio-t.Ratio) <= e.RatioU95,
		effectiveness:   math.Log(e.Effectiveness / t.EffActual),
		certificate:     math.Log(h.Physics.Rated(small) / equal),
		temperatureLaw:  math.Log(t.TemperatureFactor / here.TemperatureFactor),
		temperatureKind: temperatureKind(&h.Physics),
	}
	r.flowLaw = math.Log(t.Expected/t.TemperatureFactor/bench) - r.certificate
	r.flows = r.total - r.effectiveness - math.Log(t.Expected/here.Effectiveness)
	return r
}

var ratioParts = []struct {
	name string
	of   func(*ratioError) float64
}{
	{"total", func(r *ratioError) float64 { return r.total }},
	{"measured effectiveness", func(r *ratioError) float64 { return r.effectiveness }},
	{"measured flows", func(r *ratioError) float64 { return r.flows }},
	{"certificate at equal flow", func(r *ratioError) float64 { return r.certificate }},
	{"law of unequal flow", func(r *ratioError) float64 { return r.flowLaw }},
	{"law of temperature", func(r *ratioError) float64 { return r.temperatureLaw }},
	{"all but both laws", (*ratioError).withoutLaws},
	{"all but that of temperature", (*ratioError).withoutTemperature},
}

// withoutLaws is the error that a rating would have that knew its unit's laws of
// flow and of temperature.
func (r *ratioError) withoutLaws() float64 { return r.total - r.flowLaw - r.temperatureLaw }

func (r *ratioError) withoutTemperature() float64 { return r.total - r.temperatureLaw }

// ratioErrors is a set of them.
type ratioErrors []ratioError

func (s ratioErrors) where(keep func(*ratioError) bool) ratioErrors {
	var kept ratioErrors
	for i := range s {
		if keep(&s[i]) {
			kept = append(kept, s[i])
		}
	}
	return kept
}

func (s ratioErrors) of(c greywatt.Connection) ratioErrors {
	return s.where(func(r *ratioError) bool { return r.connection == c })
}

func (s ratioErrors) values(f func(*ratioError) float64) []float64 {
	v := make([]float64, len(s))
	for i := range s {
		v[i] = f(&s[i])
	}
	return v
}

func (s ratioErrors) dwellings() int {
	of := map[string]bool{}
	for i := range s {
		of[s[i].dwelling] = true
	}
	return len(of)
}

func (s ratioErrors) coverage() float64 {
	in := 0.0
	for i := range s {
		if s[i].within {
			in++
		}
	}
	return in / float64(len(s))
}

// most returns the 95th percentile of the absolute error.
func (s ratioErrors) most(f func(*ratioError) float64) float64 {
	v := s.values(f)
	for i := range v {
		v[i] = math.Abs(v[i])
	}
	return pct(v, 0.95)
}

// mostRow is the row of a 95th percentile. Its slack is three standard deviations
// of that percentile of a normal distribution: one draw a dwelling, as a dwelling's
// showers share its sensors and its unit.
func (s ratioErrors) mostRow(name string, f func(*ratioError) float64, bound float64) row {
	luck := math.Sqrt(0.05*0.95) / (2 * 0.05845 * 1.96) // relative; 0.05845 is the normal density at 1.96
	return row{name, s.most(f), 0, bound, 3 * luck * bound / math.Sqrt(float64(s.dwellings()))}
}

func total(r *ratioError) float64 { return r.total }

// connectionBounds are those of the ratio's error, 95th percentile, in winter, where
// the law of temperature weighs most. In A it is what is wanted of all. In B and C two
// laws that no certificate tells are in the way of that: ACCURACY.md, "Why the ratio
// is no better in B and C", has each part's size. The rows without them have no such
// excuse.
var connectionBounds = []struct {
	connection greywatt.Connection
	bound      float64
}{
	{greywatt.ConnectionA, 0.030},
	{greywatt.ConnectionB, 0.048}, // unequal flow 0.029 alone, temperature 0.027
	{greywatt.ConnectionC, 0.036}, // unequal flow 0.020 alone, temperature 0.030
}

func (s ratioErrors) rows() []row {
	rows := []row{
		s.mostRow("ratio error without the law of temperature, 95th percentile", (*ratioError).withoutTemperature, 0.030),
		s.mostRow("ratio error without that and unequal flow's, 95th percentile", (*ratioError).withoutLaws, 0.022),
	}
	for _, c := range connectionBounds {
		of := s.of(c.connection)
		if len(of) == 0 {
			continue
		}
		rows = append(rows, of.mostRow("ratio error in "+c.connection.String()+", 95th percentile", total, c.bound))
	}
	return rows
}

// log prints what the error is made of.
func (s ratioErrors) log(t *testing.T) {
	show := func(name string, set ratioErrors) {
		if len(set) == 0 {
			return
		}
		var b strings.Builder
		for _, p := range ratioParts {
			v := set.values(p.of)
			var sum, squares float64
			for _, x := range v {
				sum += x
				squares += x * x
			}
			n := float64(len(v))
			fmt.Fprintf(&b, "; %s %+.4f %.4f %.4f", p.name, sum/n, math.Sqrt(squares/n), set.most(p.of))
		}
		u := set.values(func(r *ratioError) float64 { return r.u95 })
		t.Logf("%-26s %3d dwellings, covered %.3f, median u95 %.4f%s", name, set.dwellings(), set.coverage(), pct(u, 0.5), b.String())
	}
	t.Log("the ratio's error in ln and its parts: mean, root of mean square, 95th percentile of the absolute")
	show("all", s)
	for _, c := range connectionBounds {
		show("connection "+c.connection.String(), s.of(c.connection))
	}
	for lo := 0.4; lo < 0.75; lo += 0.1 {
		show(fmt.Sprintf("B and C, flows %.1f to %.1f", lo, lo+0.1), s.where(func(r *ratioError) bool {
			return r.connection != greywatt.ConnectionA && r.flowRatio >= lo && r.flowRatio < lo+0.1
		}))
	}
	for _, kind := range []string{"correlations", "published factor", "below correlations"} {
		show("temperature: "+kind, s.where(func(r *ratioError) bool { return r.temperatureKind == kind }))
	}
	if !*perDwelling {
		return
	}
	by := map[string]ratioErrors{}
	for i := range s {
		by[s[i].dwelling] = append(by[s[i].dwelling], s[i])
	}
	mean := func(d ratioErrors, f func(*ratioError) float64) float64 {
		var sum float64
		for _, v := range d.values(f) {
			sum += v / float64(len(d))
		}
		return sum
	}
	ids := make([]string, 0, len(by))
	for id := range by {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b string) int {
		if d := math.Abs(mean(by[b], total)) - math.Abs(mean(by[a], total)); d != 0 {
			return int(math.Copysign(1, d))
		}
		return strings.Compare(a, b)
	})
	for _, id := range ids {
		d := by[id]
		var b strings.Builder
		for _, p := range ratioParts[:6] {
			fmt.Fprintf(&b, "; %s %+.4f", p.name, mean(d, p.of))
		}
		t.Logf("%s %v, %d showers, %s, mains %.1f °C, flows %.2f%s", id, d[0].connection, len(d), d[0].temperatureKind,
			mean(d, func(r *ratioError) float64 { return r.mainsC }), mean(d, func(r *ratioError) float64 { return r.flowRatio }), b.String())
	}
}

// TestRatioOverTheYear scores the ratio at mains temperatures of 4 to 20 °C: each
// dwelling is recorded in a month of its own, with mains water that swings over the
// whole of that range.
func TestRatioOverTheYear(t *testing.T) {
	var s score
	for i := range *houses {
		options := simulate.Options{Days: 3, Start: greywatt.Date{Year: 2026, Month: time.Month(1 + i%12), Day: 14}}
		h := simulate.NewHouse(fmt.Sprintf("h%03d", i), *first+uint64(i), options)
		h.Climate.MainsC = simulate.SwingingMains(4, 20)
		s.dwelling(h)
	}
	bins := s.mainsRows()
	if len(bins) < 2*len(s.mains) {
		t.Errorf("%d rows: a range of mains temperatures has too few of the %d dwellings", len(bins), *houses)
	}
	luck := 3 * math.Sqrt(0.95*0.05/float64(*houses))
	u95 := func(r *ratioError) float64 { return r.u95 }
	report(t, append([]row{
		{"coverage of ratio_u95", s.ratio.coverage(), 0.93, 0.98, luck},
		{"ratio_u95 in A, median", pct(s.ratio.of(greywatt.ConnectionA).values(u95), 0.5), 0, 0.0325, 0},
		// 0.0325 was wanted of all connections together. In B a narrower one would not
		// cover what the laws of unequal flow leave open.
		{"ratio_u95, median", pct(s.ratio.values(u95), 0.5), 0, 0.036, 0},
	}, bins...))
	s.ratio.log(t)
}
