package summary

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/robust"
	"greywatt/analysis/simulate"
	"greywatt/analysis/uncert"
)

func heatRows(flow, clamp, ends float64) uncert.Budget {
	return uncert.Budget{Rows: []uncert.Row{
		{Name: event.MainsFlow, Contribution: flow * event.JoulesPerKWh},
		{Name: event.ClampInput(greywatt.PreheatOut), Contribution: clamp * event.JoulesPerKWh},
		{Name: event.EndsOfFlow, Contribution: ends * event.JoulesPerKWh},
	}}
}

// shower returns an event whose effectiveness has one clamp's error, noise, and
// an error of the rating.
func testShower(at time.Time, kWh, effectiveness float64) event.Event {
	e := event.New()
	e.Kind, e.Start, e.SteadyS = event.Shower, greywatt.InstantOf(at), 120
	e.HeatKWh, e.HeatU95KWh = kWh, 0.02
	e.Budgets.Heat = heatRows(0.01*kWh, -0.02, 0.003)
	e.Effectiveness, e.EffectivenessU95, e.Expected = effectiveness, 0.01, 0.5
	e.Ratio, e.RatioU95 = effectiveness/0.5, 0.02
	rows := budgetRows()
	contribute(rows, event.ClampInput(greywatt.WasteIn), 0.003)
	contribute(rows, "waste-in noise", 0.05)
	e.Budgets.Effectiveness.Rows = rows
	rows = budgetRows()
	contribute(rows, event.ClampInput(greywatt.WasteIn), 0.006)
	contribute(rows, "rated points to these flows", -0.008)
	contribute(rows, "waste-in noise", 0.1)
	e.Budgets.Ratio.Rows = rows
	return e
}

// budgetRows are the rows of an effectiveness' budget, without contributions.
func budgetRows() []uncert.Row {
	rows := make([]uncert.Row, len(event.InputNames))
	for i, name := range event.InputNames {
		rows[i].Name = name
	}
	return rows
}

// contribute sets the contribution of the input with the given name.
func contribute(rows []uncert.Row, name string, c float64) {
	i := slices.IndexFunc(rows, func(r uncert.Row) bool { return r.Name == name })
	rows[i].Contribution = c
}

func testDwelling(id string) *greywatt.Dwelling {
	return &greywatt.Dwelling{ID: id, Connection: greywatt.ConnectionA,
		Heater: greywatt.Heater{Efficiency: 0.8, CarbonKgPerKWh: 0.2, PricePerKWh: 0.1, Currency: "EUR"}}
}

func near(t *testing.T, name string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-9*max(1, math.Abs(want))) {
		t.Errorf("%s is %.9g, want %.9g", name, got, want)
	}
}

func TestSummariseArithmetic(t *testing.T) {
	day := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	var events []event.Event
	for i, eff := range []float64{0.44, 0.45, 0.46, 0.47, 0.48, 0.49, 0.50} {
		events = append(events, testShower(day.AddDate(0, 0, i), 1+0.1*float64(i), eff))
	}
	other := event.New()
	other.Kind, other.Start, other.HeatKWh = event.OtherDraw, events[6].Start, 5
	other.Flags = append(other.Flags, event.FlagNoWarmWaste)
	events = append(events, other)

	s := OfDwelling(testDwelling("a"), time.UTC, events, nil)
	if s.Showers != 7 || s.OtherDraws != 1 || s.Partial != 0 || s.Used != 7 || len(s.Rejected) != 0 || s.HeatEvents != 7 {
		t.Fatalf("counts %+v", s.Tally)
	}
	// 1.0 to 1.6 in tenths; the other draw's 5 kWh are not recovered from waste
	near(t, "heat", s.HeatKWh, 9.1)
	// flow 1 % of 9.1; clamp 7 · 0.02; ends 0.003 · √7
	heatU95 := 2 * math.Sqrt(0.091*0.091+0.14*0.14+7*0.003*0.003)
	near(t, "heat u95", s.HeatU95KWh, heatU95)
	near(t, "fuel", s.FuelKWh, 9.1/0.8)
	near(t, "carbon", s.CarbonKg, 9.1/0.8*0.2)
	near(t, "money", s.Money[0].Saved, 9.1/0.8*0.1)
	near(t, "money u95", s.Money[0].U95, heatU95/0.8*0.1)

	e := &s.Effectiveness
	near(t, "median", e.Median, 0.47)
	near(t, "low", e.Lo, 0.44) // of seven, the extremes
	near(t, "high", e.Hi, 0.50)
	near(t, "systematic", e.SystematicU95, 0.006) // the clamp's; the noise averages out
	near(t, "u95", e.U95, math.Hypot(0.03, 0.006))
	near(t, "ratio", s.Ratio.Median, 0.94)
	near(t, "ratio, systematic", s.Ratio.SystematicU95, 2*math.Hypot(0.006, 0.008))
	near(t, "expected", s.Expected, 0.5)
}

// An input whose effect changes sign from event to event averages out.
func TestSystematicKeepsSigns(t *testing.T) {
	a, b, c := testShower(time.Unix(0, 0), 1, 0.5), testShower(time.Unix(1, 0), 1, 0.5), testShower(time.Unix(2, 0), 1, 0.5)
	contribute(a.Budgets.Effectiveness.Rows, "waste-in response", 0.01)
	contribute(b.Budgets.Effectiveness.Rows, "waste-in response", -0.01)
	var all contributions
	for _, e := range []*event.Event{&a, &b, &c} {
		all.add(e.Budgets.Effectiveness.Rows)
	}
	got := all.systematic(&greywatt.Dwelling{})
	if len(got) != 1 || got[0].Input != "waste-in clamp" || got[0].OfMethod {
		t.Errorf("systematic inputs %+v, want the clamp alone", got)
	}
}

func TestSummariseRejects(t *testing.T) {
	at := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	const off = 1.2 // drain heat over mains heat, where it is flagged
	flagged := func(kind event.Kind, effectiveness float64, flags ...event.Flag) event.Event {
		e := testShower(at, 1, effectiveness)
		e.Kind, e.Balance = kind, off
		e.Flags = flags
		return e
	}
	nan := math.NaN()
	events := []event.Event{
		flagged(event.Shower, 0.5),
		flagged(event.Shower, 0.5, event.FlagRoomAssumed, event.FlagDrainInferred),
		flagged(event.Shower, 0.005, event.FlagUnbalanced), // hardly any heat on either side: a bypass
		flagged(event.Shower, 0.5, event.FlagShortSteady),
		flagged(event.Shower, 0.5, event.FlagUnbalanced, event.FlagShortSteady),
		flagged(event.Shower, nan, event.FlagNoSettledFlow),
		flagged(event.Shower, nan, event.FlagNoWasteIn),
		flagged(event.Partial, 0.5, event.FlagStartHidden),
		flagged(event.Partial, nan, event.FlagGap),
		flagged(event.Partial, nan, event.FlagEndHidden, event.FlagNoWarmWaste),
		flagged(event.OtherDraw, nan, event.FlagNoWarmWaste),
	}
	late := flagged(event.Shower, 0.5)
	late.Start = greywatt.InstantOf(at.AddDate(0, 0, 5))
	events = append(events, late)
	loose := finding.Finding{Code: finding.SensorLoose, Since: greywatt.InstantOf(at.AddDate(0, 0, 3)), Confidence: 0.95}

	s := OfDwelling(testDwelling("a"), time.UTC, events, []finding.Finding{loose})
	rejected := 0
	count := map[event.Flag]int{}
	for _, r := range s.Rejected {
		rejected += r.Events
		count[r.Reason] = r.Events
	}
	if s.Used != 4 || s.Used+rejected != s.Showers+s.Partial-1 {
		t.Errorf("used %d, rejected %d of %d showers and %d partial", s.Used, rejected, s.Showers, s.Partial)
	}
	for _, f := range []event.Flag{event.FlagShortSteady, event.FlagUnbalanced, event.FlagNoSettledFlow, event.FlagNoWasteIn, event.FlagGap, event.Flag(finding.SensorLoose)} {
		if count[f] != 1 {
			t.Errorf("%d rejected as %s, want 1: %v", count[f], f, s.Rejected)
		}
	}
	// all that is warm but the shower after the clamp came loose
	if s.HeatEvents != 9 || s.HeatLeftOut != 1 {
		t.Errorf("heat of %d events, %d left out", s.HeatEvents, s.HeatLeftOut)
	}
	if weak := (finding.Finding{Code: finding.SensorLoose, Confidence: 0.6}); OfDwelling(testDwelling("a"), time.UTC, events, []finding.Finding{weak}).Used != 5 {
		t.Error("a finding of 0.6 kept events out")
	}
}

// A dwelling whose clamps cannot be trusted has no heat, not a heat of nothing;
// one without showers, but with other draws, has recovered nothing.
func TestSummariseUnknownHeat(t *testing.T) {
	events := []event.Event{testShower(time.Unix(0, 0), 1, 0.5)}
	swapped := finding.Finding{Code: finding.SupplySensorsSwapped, Confidence: 0.97}
	s := OfDwelling(testDwelling("a"), time.UTC, events, []finding.Finding{swapped})
	if !math.IsNaN(s.HeatKWh) || !math.IsNaN(s.FuelKWh) || len(s.Money) != 0 || s.HeatLeftOut != 1 {
		t.Errorf("with swapped clamps: %+v", s.Tally)
	}
	sound := OfDwelling(testDwelling("b"), time.UTC, events, nil)
	both := OfStudy([]Dwelling{s, sound})[0]
	near(t, "heat of the study", both.HeatKWh, 1)
	if s := OfDwelling(testDwelling("c"), time.UTC, nil, nil); !math.IsNaN(s.HeatKWh) {
		t.Errorf("heat %g without an event", s.HeatKWh)
	}
	other := event.New()
	other.Kind = event.OtherDraw
	if s := OfDwelling(testDwelling("d"), time.UTC, []event.Event{other}, nil); s.HeatKWh != 0 {
		t.Errorf("heat %g without a shower", s.HeatKWh)
	}
}

// 23:30 UTC on 31 March is April in a zone with summer time.
func TestSummariseMonths(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	events := []event.Event{
		testShower(time.Date(2026, 3, 31, 22, 30, 0, 0, time.UTC), 1, 0.5),
		testShower(time.Date(2026, 3, 31, 23, 30, 0, 0, time.UTC), 2, 0.5),
		testShower(time.Date(2026, 5, 1, 7, 0, 0, 0, time.UTC), 4, 0.5),
	}
	s := OfDwelling(testDwelling("a"), dublin, events, nil)
	want := map[string]float64{"2026-03": 1, "2026-04": 2, "2026-05": 4}
	if len(s.Months) != 3 {
		t.Fatalf("%d months", len(s.Months))
	}
	for _, m := range s.Months {
		near(t, m.Month.String(), m.HeatKWh, want[m.Month.String()])
	}
	from, to := s.Months[0].Month.Span(dublin)
	if got := to.Sub(from) / 3600; got != 31*24-1 { // the clocks go forward
		t.Errorf("March has %g hours", got)
	}
}

func TestSummariseStudy(t *testing.T) {
	at := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	var sensors []greywatt.Sensor // none declared, and so of one batch
	dwelling := func(id, currency string, kWh, ratio float64) Dwelling {
		d := testDwelling(id)
		d.Sensors = sensors
		d.Heater.Currency = currency
		var events []event.Event
		for i := range 6 {
			events = append(events, testShower(at.AddDate(0, 0, i), kWh/6, ratio*0.5))
		}
		return OfDwelling(d, time.UTC, events, nil)
	}
	three := func() []Dwelling {
		return []Dwelling{dwelling("a", "EUR", 3, 0.9), dwelling("b", "GBP", 4, 1.0), dwelling("c", "EUR", 5, 1.1)}
	}
	ds := three()
	ds[1].CarbonKg = math.NaN()
	all := OfStudy(ds)
	if len(all) != 2 || all[1].Month.String() != "2026-03" {
		t.Fatalf("%d rows", len(all))
	}
	s := &all[0]
	near(t, "heat", s.HeatKWh, 12)
	// flow 1 % of 12; clamp 18 · 0.02; ends 0.003 · √18
	near(t, "heat u95", s.HeatU95KWh, 2*math.Sqrt(0.12*0.12+0.36*0.36+18*0.003*0.003))
	near(t, "heat u95, of batches", s.HeatShares.BatchU95, 2*math.Hypot(0.12, 0.36))
	near(t, "heat u95, own", s.HeatShares.OwnU95, 2*0.003*math.Sqrt(18))
	near(t, "carbon", s.CarbonKg, 8/0.8*0.2)
	if len(s.Money) != 2 || s.Money[0].Currency != "EUR" || s.Money[1].Currency != "GBP" {
		t.Fatalf("money %+v", s.Money)
	}
	near(t, "EUR", s.Money[0].Saved, 8/0.8*0.1)
	near(t, "GBP", s.Money[1].Saved, 4/0.8*0.1)
	if s.Dwellings != 3 || s.Showers != 18 || s.Ratio.Dwellings != 3 {
		t.Errorf("%d dwellings, %d showers, %d with a ratio", s.Dwellings, s.Showers, s.Ratio.Dwellings)
	}
	near(t, "median ratio", s.Ratio.Median, 1.0)
	// common to all are the rating, 2 · 0.008, and the clamps of one batch, 2 · 0.006
	near(t, "of the method", s.Ratio.MethodU95, 0.016)
	near(t, "ratio u95", s.Ratio.U95, math.Hypot(0.012, 0.016))
	if !math.IsNaN(s.Ratio.Lo) {
		t.Error("an interval for dwellings like these from three")
	}
	near(t, "least", s.Ratio.Min, 0.9)

	// a meter of which a batch shares 0.024 of 0.03, and clamps that share nothing
	for _, c := range []greywatt.Channel{greywatt.WasteIn, greywatt.PreheatOut} {
		sensors = append(sensors, greywatt.Sensor{Channel: c, U95K: 0.3})
	}
	sensors = append(sensors, greywatt.Sensor{Channel: greywatt.Flow, U95Relative: 0.03, BatchU95Relative: 0.024, Batch: "first"})
	ds = three()
	s = &OfStudy(ds)[0]
	flow, alone := 0.01*0.8, 0.01*0.6 // 3-4-5
	near(t, "heat u95, of one batch", s.HeatShares.BatchU95, 2*flow*12)
	own := 2 * math.Sqrt(alone*alone*(9+16+25)+3*0.12*0.12+18*0.003*0.003)
	near(t, "heat u95, own sensors", s.HeatShares.OwnU95, own)
	near(t, "heat u95, both", s.HeatU95KWh, math.Hypot(2*flow*12, own))
	near(t, "money u95", s.Money[0].U95, 0.1/0.8*2*math.Sqrt(flow*flow*64+alone*alone*(9+25)+2*0.12*0.12+12*0.003*0.003))
	// the middle dwelling lies apart from its neighbours: its own clamp's 2 · 0.006
	near(t, "ratio u95, own clamps", s.Ratio.U95, math.Hypot(0.012, 0.016))
	near(t, "ratio u95, of batches", s.Ratio.BatchU95, 0)
}

// The efficiency's error is common to heaters of a kind, the price's to all of a
// currency, and both add to the heat's.
func TestSummariseHeater(t *testing.T) {
	of := func(id, kind string) Dwelling {
		d := testDwelling(id)
		d.Heater.Kind, d.Heater.EfficiencyU95Relative, d.Heater.PriceU95Relative = kind, 0.06, 0.08
		e := testShower(time.Unix(0, 0), 2, 0.45)
		e.Budgets.Heat = heatRows(0, 0, 0.1)
		return OfDwelling(d, time.UTC, []event.Event{e}, nil)
	}
	a := of("a", "gas")
	near(t, "fuel u95", a.FuelU95KWh, 2.5*math.Hypot(0.1, 0.06))
	near(t, "money u95", a.Money[0].U95, 0.25*math.Sqrt(0.1*0.1+0.06*0.06+0.08*0.08))
	two := OfStudy([]Dwelling{a, of("b", "gas")})[0]
	near(t, "fuel u95 of two alike", two.FuelU95KWh, 5*math.Hypot(0.1/math.Sqrt2, 0.06))
	two = OfStudy([]Dwelling{a, of("b", "heat pump")})[0]
	near(t, "fuel u95 of two kinds", two.FuelU95KWh, 5*math.Hypot(0.1, 0.06)/math.Sqrt2)
	near(t, "money u95 of two kinds", two.Money[0].U95, 0.5*math.Sqrt((0.1*0.1+0.06*0.06)/2+0.08*0.08))
}

func TestByGroup(t *testing.T) {
	of := func(id string, c greywatt.Connection, group string, ratio float64) Dwelling {
		d := testDwelling(id)
		d.Connection, d.Group = c, group
		return OfDwelling(d, time.UTC, []event.Event{testShower(time.Unix(0, 0), 2, ratio*0.5)}, nil)
	}
	ds := []Dwelling{
		of("a", greywatt.ConnectionA, "north", 0.9), of("b", greywatt.ConnectionB, "north", 1.0), of("c", greywatt.ConnectionA, "", 1.1),
	}
	var got []string
	for _, s := range ByGroup(ds) {
		got = append(got, fmt.Sprintf("%s: %d, %.2f", s.Group, s.Dwellings, s.Ratio.Median))
	}
	if want := []string{"connection A: 2, 1.00", "connection B: 1, 1.00", "group north: 2, 0.95"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if got := ByGroup(ds[:1]); len(got) != 0 {
		t.Errorf("a single dwelling has groups: %+v", got)
	}
}

// Against the truth of simulated dwellings, each with sensors of its own: the
// heat that showers recovered and the median effectiveness.
func TestSummaryOfSimulatedDwellings(t *testing.T) {
	const n = 40
	heat, eff := 0, 0
	var perKWh float64
	for seed := range uint64(n) {
		h := simulate.NewHouse("h", 300+seed, simulate.Options{Days: 10, ShowersPerDay: 2.2})
		study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
		d := &study.Dwellings[0]
		a := event.NewAnalyser(study, d)
		var events []event.Event
		var truth simulate.Truth
		for f := range h.Frames(&truth) {
			events = append(events, a.Push([]greywatt.Frame{f})...)
		}
		events = append(events, a.Close()...)
		s := OfDwelling(d, time.UTC, events, nil)
		var kWh float64
		var effs []float64
		for _, e := range truth.Events {
			if e.Kind == simulate.Shower {
				kWh += e.HeatKWh
				if e.Measurable {
					effs = append(effs, e.EffActual)
				}
			}
		}
		if math.Abs(s.HeatKWh-kWh) <= s.HeatU95KWh {
			heat++
		} else {
			t.Logf("%d %s: heat %.2f ± %.2f kWh, true %.2f", seed, d.Connection, s.HeatKWh, s.HeatU95KWh, kWh)
		}
		if want := robust.Median(effs); math.Abs(s.Effectiveness.Median-want) <= s.Effectiveness.U95 {
			eff++
		} else {
			t.Logf("%d %s: effectiveness %.4f ± %.4f, true %.4f", seed, d.Connection, s.Effectiveness.Median, s.Effectiveness.U95, want)
		}
		perKWh += s.HeatU95KWh / s.HeatKWh / n
	}
	// of 40 dwellings at 95 % each, fewer than 35 hold in 1.4 % of cases
	if heat < 35 || eff < 35 {
		t.Errorf("of %d dwellings %d have the true heat within u95 and %d the true effectiveness", n, heat, eff)
	}
	if perKWh > 0.06 {
		t.Errorf("u95 of the heat is %.3f of it", perKWh)
	}
}

// A unit that does worse in winter, as the water makes it: by month the measured
// and the expected effectiveness fall together, and what is expected at the
// certificate's temperatures does not.
func TestSummariseSeason(t *testing.T) {
	var events []event.Event
	for i := range 16 {
		at := time.Date(2026, 1, 3+4*i, 7, 0, 0, 0, time.UTC) // eight in January, seven in February, one in March
		e := testShower(at, 1, 0.475)
		e.ColdInC, e.TemperatureFactor, e.Expected, e.ExpectedU95, e.Ratio = 5, 0.95, 0.475, 0.01, 1
		if at.Month() != time.January {
			e.ColdInC, e.TemperatureFactor, e.Expected, e.Effectiveness = 15, 1.02, 0.51, 0.51
		}
		events = append(events, e)
	}
	s := OfDwelling(testDwelling("a"), time.UTC, events, nil)
	if len(s.Months) != 3 {
		t.Fatalf("%d months", len(s.Months))
	}
	for i, want := range []struct{ mains, expected, measured float64 }{{5, 0.475, 0.475}, {15, 0.51, 0.51}, {15, 0.51, 0.51}} {
		m := &s.Months[i]
		near(t, m.Month.String()+" mains", m.MainsC, want.mains)
		near(t, m.Month.String()+" expected", m.Expected, want.expected)
		near(t, m.Month.String()+" measured", m.Effectiveness.Median, want.measured)
		near(t, m.Month.String()+" at the certificate's temperatures", m.AtCertificate, 0.5)
		near(t, m.Month.String()+" u95 of the expected", m.ExpectedU95, 0.01)
	}
	if u := s.Months[2].Ratio.U95; math.IsNaN(u) || s.Months[2].Used != 1 {
		t.Errorf("one event in March: u95 %g, %d used", u, s.Months[2].Used)
	}
	study := OfStudy([]Dwelling{s, s})
	near(t, "study's mains in January", study[1].MainsC, 5)
	near(t, "study's expected in January", study[1].Expected, 0.475)
}
