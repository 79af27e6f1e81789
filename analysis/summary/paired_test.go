package summary

import (
	"math"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/completeness"
	"greywatt/analysis/event"
	"greywatt/analysis/uncert"
)

var newYear = greywatt.InstantOf(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))

// paired returns a dwelling that was cleaned on its 40th day, when its ratio rose
// from 0.80 to 0.95 about a scatter of ± 0.01, measured with clamps that make it
// 0.04 too high at all times and a meter that does so to 2 % of its value.
func paired(id string, lift float64) (*greywatt.Dwelling, []event.Event) {
	d := &greywatt.Dwelling{ID: id, Connection: greywatt.ConnectionA, Cleaned: []greywatt.Date{{Year: 2026, Month: 2, Day: 9}},
		Heater: greywatt.Heater{Kind: "gas", Efficiency: 0.8, CarbonKgPerKWh: 0.2, PricePerKWh: 0.1, Currency: "EUR"}}
	var events []event.Event
	for day := range 80 {
		e := event.New()
		e.Kind, e.Dwelling, e.Start = event.Shower, id, newYear.Add(86400*float64(day)+43200)
		ratio := 0.80
		if day >= 39 {
			ratio += lift
		}
		ratio += 0.01 * float64(day%3-1)
		e.Effectiveness, e.EffectivenessU95, e.Expected, e.ExpectedU95 = 0.5*ratio, 0.02, 0.5, 0
		e.Ratio, e.RatioU95, e.TemperatureFactor = ratio, 0.09, 1
		e.ColdInC, e.WasteInC, e.HeatKWh, e.HeatU95KWh, e.Balance = 10, 36, ratio, 0.05, 1
		e.Budgets.Ratio.Rows = []uncert.Row{{Name: "cold-in clamp", Contribution: 0.04}, {Name: "mains flow", Contribution: 0.02 * ratio}}
		e.Budgets.Heat.Rows = []uncert.Row{{Name: "mains flow", Contribution: 0.025 * ratio * event.JoulesPerKWh}}
		events = append(events, e)
	}
	return d, events
}

// What the clamps are off by is in both halves of a pair, and cancels.
func TestEffectOfCleaning(t *testing.T) {
	d, events := paired("h1", 0.15)
	got := OfWork(d, time.UTC, event.All(events), nil)
	if len(got) != 1 || got[0].Kind != greywatt.FactCleaned {
		t.Fatalf("%+v", got)
	}
	e := got[0]
	if math.Abs(e.Difference.Median-0.15) > 1e-12 || e.Before.Events != 28 || e.After.Events != 28 {
		t.Errorf("%.4f of %d and %d events", e.Difference.Median, e.Before.Events, e.After.Events)
	}
	// by hand: clamp 0.04 - 0.04, meter 0.02 (0.95 - 0.80)
	if want := 2 * 0.02 * 0.15; math.Abs(e.Difference.SystematicU95-want) > 1e-12 {
		t.Errorf("shared %.5f, by hand %.5f", e.Difference.SystematicU95, want)
	}
	if alone := e.After.U95; !(e.Difference.U95 < alone/2) {
		t.Errorf("± %.4f, one side ± %.4f: the sensors did not cancel", e.Difference.U95, alone)
	}
}

func TestEffectNeedsBothSides(t *testing.T) {
	d, events := paired("h1", 0.15)
	if got := OfWork(d, time.UTC, event.All(events[34:]), nil); len(got) != 0 {
		t.Errorf("with five events before: %+v", got)
	}
	// a clamp replaced a week before: what was measured before that says nothing
	d.Breaks = []greywatt.Break{{At: newYear.Add(32 * 86400), Kind: greywatt.FactClampReplaced}}
	if got := OfWork(d, time.UTC, event.All(events), nil); len(got) != 1 || got[0].Before.Events != 7 {
		t.Errorf("after another clamp: %+v", got)
	}
	// a clamp moved while it was cleaned: which of the two it was cannot be told
	d.Breaks = []greywatt.Break{{At: newYear.Add(39.5 * 86400), Kind: greywatt.FactClampMoved}}
	if got := OfWork(d, time.UTC, event.All(events), nil); len(got) != 0 {
		t.Errorf("with a clamp moved: %+v", got)
	}
}

func TestPairedEffects(t *testing.T) {
	var all []Effect
	for i, lift := range []float64{0.10, 0.12, 0.14, 0.16} {
		d, events := paired(string(rune('a'+i)), lift)
		all = append(all, OfWork(d, time.UTC, event.All(events), nil)...)
	}
	got := Paired(all)
	if len(got) != 1 || got[0].Effects != 4 || got[0].Pooled.Dwellings != 4 {
		t.Fatalf("%+v", got)
	}
	// by hand: mean 0.13, standard deviation 0.0258, so an error of 0.0129 and
	// Student's t of 3.18 with three degrees of freedom
	p := got[0].Pooled
	if math.Abs(p.Mean-0.13) > 1e-3 || math.Abs(p.U95-3.182*0.0129) > 3e-3 {
		t.Errorf("%.4f ± %.4f", p.Mean, p.U95)
	}
	if one := Paired(all[:1]); len(one) != 1 || one[0].Pooled.Dwellings != 0 {
		t.Errorf("of a single dwelling: %+v", one)
	}
}

// Where the afternoons of half of the days are left out, with a shower in each, a
// day counts for half. By hand: mornings and afternoons of forty days, mornings of
// another forty, make 60 days of two showers each.
func TestYearWithHalfDaysLeftOut(t *testing.T) {
	d, morning := paired("a", 0)
	var periods []greywatt.LeftOut
	var events []event.Event
	for i, e := range morning {
		day := newYear.Add(float64(i) * 86400)
		e.Start = day.Add(21600)
		events = append(events, e)
		if i%2 == 0 {
			periods = append(periods, greywatt.LeftOut{From: day.Add(43200), To: day.Add(86400)})
			continue
		}
		e.Start = day.Add(64800)
		events = append(events, e)
	}
	span := event.Span{From: newYear, To: newYear.Add(80 * 86400)}
	coverage := (completeness.Result{Span: span, Complete: []event.Span{span}}).Without(periods)
	sums := OfDwelling(d, time.UTC, events, nil)
	y := OfYear(d, time.UTC, event.All(events), nil, &sums.Summary, &coverage)
	if math.Abs(y.Days-60) > 1e-9 {
		t.Errorf("%g days, want 60", y.Days)
	}
	if math.Abs(y.Showers-2*365.25) > 1e-6 {
		t.Errorf("%g showers a year, want two a day", y.Showers)
	}
}

// A year of what eighty days have measured: scaled by days and season, with the
// measured heat's shared error unlessened.
func TestYearOfDwellings(t *testing.T) {
	var years []Year
	for _, id := range []string{"a", "b"} {
		d, events := paired(id, 0)
		sums := OfDwelling(d, time.UTC, events, nil)
		span := event.Span{From: newYear, To: newYear.Add(80 * 86400)}
		coverage := &completeness.Result{Span: span, Complete: []event.Span{span}}
		y := OfYear(d, time.UTC, event.All(events), nil, &sums.Summary, coverage)
		// one shower of 0.8 kWh a day; the mains, 10 °C all winter, is warmer in summer
		if most := 365.25 * 0.8; !(y.HeatKWh < most && y.HeatKWh > 0.7*most) || math.Abs(y.Days-80) > 1e-9 {
			t.Errorf("%.1f kWh of %.1f days", y.HeatKWh, y.Days)
		}
		if want := 1 - 80*0.8/y.HeatKWh; math.Abs(y.Imputed-want) > 0.002 {
			t.Errorf("imputed %.3f, want %.3f", y.Imputed, want)
		}
		if math.Abs(y.Fuel-y.HeatKWh/0.8) > 1e-9 || math.Abs(y.Carbon-y.Fuel*0.2) > 1e-9 || math.Abs(y.Money[0].Saved-y.Fuel*0.1) > 1e-9 {
			t.Errorf("fuel %.2f kWh, carbon %.2f kg, %v of %.2f kWh", y.Fuel, y.Carbon, y.Money, y.HeatKWh)
		}
		years = append(years, y)
	}
	empty := greywatt.Dwelling{ID: "c"}
	none := OfDwelling(&empty, time.UTC, nil, nil)
	years = append(years, OfYear(&empty, time.UTC, event.All(nil), nil, &none.Summary, &completeness.Result{}))
	study := OfYears(years)
	one := years[0].HeatKWh
	if study.Dwellings != 2 || study.Silent != 1 || math.Abs(study.HeatKWh-2*one) > 1e-9 {
		t.Errorf("%d dwellings, %d silent, %.1f kWh", study.Dwellings, study.Silent, study.HeatKWh)
	}
	// by hand: the meters, of one batch, 2.5 % of all; the mains of one place
	want := 2 * math.Hypot(0.025*2*one, 2*years[0].Mains)
	if math.Abs(study.Shares.BatchU95-want) > 1e-6*want {
		t.Errorf("shared %.4f kWh, by hand %.4f", study.Shares.BatchU95, want)
	}
	// and habits of each its own
	if !(study.Shares.OwnU95 < 2*years[0].Shares.OwnU95*0.72 && study.Shares.OwnU95 > 2*years[0].Habits) {
		t.Errorf("own %.3f kWh, of each %.3f", study.Shares.OwnU95, years[0].Shares.OwnU95)
	}
	if mean, lo, hi := YearBounds(years); math.Abs(mean-one) > 1e-9 || math.Abs(lo-2*one/3) > 1e-9 || math.Abs(hi-one) > 1e-9 {
		t.Errorf("mean %.1f, between %.1f and %.1f kWh, of two alike at %.1f and a silent one", mean, lo, hi, one)
	}
	if nothing := OfYears(years[2:]); nothing.Known() || nothing.Silent != 1 {
		t.Errorf("of nothing: %+v", nothing)
	}
}
