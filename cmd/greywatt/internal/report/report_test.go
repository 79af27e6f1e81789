package report

import (
	"bytes"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/cleaning"
	"greywatt/analysis/completeness"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/plots/wording"
)

var start = time.Date(2026, 3, 30, 7, 0, 0, 0, time.UTC)

// dwelling has ten showers over the turn of a month.
func dwelling(name string) Dwelling {
	d := &greywatt.Dwelling{
		ID: "larch-04", Connection: greywatt.ConnectionA, Commissioned: greywatt.Date{Year: 2026, Month: time.March, Day: 1},
		Exchanger: greywatt.Exchanger{Orientation: greywatt.Vertical, Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: 0.5}}},
		Heater:    greywatt.Heater{Kind: "gas combi boiler", Efficiency: 0.8, CarbonKgPerKWh: 0.2, PricePerKWh: 0.1, Currency: "EUR", HotC: 55},
	}
	var events []event.Event
	var points []finding.TrendPoint
	for i := range 10 {
		at := greywatt.InstantOf(start.Add(time.Duration(i) * 12 * time.Hour))
		events = append(events, event.Event{
			Kind: event.Shower, Start: at, End: at.Add(400), HeatKWh: 1, Effectiveness: 0.5, EffectivenessU95: 0.01,
			Expected: 0.5, Ratio: 1, RatioU95: 0.02, FlowLMin: 9, WasteFlowLMin: 9,
		})
		points = append(points, finding.TrendPoint{At: at, UARatio: 1, UARatioU95: 0.05, ColdInC: math.NaN(), Fit: math.NaN(), FitLo: math.NaN(), FitHi: math.NaN(), Segment: 1})
	}
	first, last := events[0].Start, events[9].End
	gap := completeness.Gap{Channel: greywatt.ColdIn, Span: event.Span{From: first.Add(3600), To: first.Add(9000)}}
	return Dwelling{
		Name: name, Study: d,
		Summary:  summary.OfDwelling(d, time.UTC, events, nil),
		Coverage: completeness.Result{Span: event.Span{From: first, To: last}, Readings: 1234, Gaps: []completeness.Gap{gap}},
		Findings: []finding.Finding{{Code: finding.Fouling, Since: first, Confidence: 0.97, Evidence: "conductance fell by -3 % & more", Advice: "Clean it."}},
		Trend:    points,
		Cleaning: cleaning.Assessment{Verdict: cleaning.By, Due: last, ThresholdUA: 0.8},
		Advice:   "clean by 2026-04-05",
		Words:    []string{"a line of -0.2 % a week from 2026-03-30", "Chosen: line"},
	}
}

func write(t *testing.T, about About, ds ...Dwelling) string {
	t.Helper()
	var r Report
	for _, d := range ds {
		if err := r.Add(d, time.UTC); err != nil {
			t.Fatal(err)
		}
	}
	var b bytes.Buffer
	if err := r.Write(&b, about); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestReport(t *testing.T) {
	about := About{Study: `Larch <Row> "retrofit"`, Zone: time.UTC, Pseudonym: true, Digest: strings.Repeat("ab", 32), Program: "greywatt 1.0", Threshold: 0.1}
	page := write(t, about, dwelling("Home AB"), dwelling("Home CD"))
	if again := write(t, about, dwelling("Home AB"), dwelling("Home CD")); again != page {
		t.Error("the same results gave other bytes")
	}
	for _, want := range []string{
		"Larch &lt;Row&gt;",
		"1.000 ± ", // ratio
		"20.0 kWh", // 2 · 10 showers of 1 kWh, without an uncertainty in these
		"25.0 kWh", // over the efficiency
		"5.0 kg",   // 25 · 0.2
		"2.50",     // 25 · 0.1
		"2026-03", "2026-04",
		"Fouling since 30 March 2026, 97 % sure",
		"fell by −3 % &amp; more",
		"a line of −0.2 % a week from 2026-03-30",
		"by 2026-04-03", // the due date, in the table
		"cold in",       // the outage
		strings.Repeat("ab", 32),
		"Scald.", "Legionella.", "Licensed practice.", "Not for billing.",
		"pseudonyms.key",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in the report", want)
		}
	}
	for _, never := range []string{"larch-04", "<script", "http://", "https://", "url(", "@import", "ZgotmplZ", "NaN", "<Row>", "%!"} {
		if strings.Contains(strings.ReplaceAll(page, `xmlns="http://www.w3.org/2000/svg"`, ""), never) {
			t.Errorf("%q in the report", never)
		}
	}
}

// Every link leads somewhere, every id is there once, every element is closed.
func TestReportIsSound(t *testing.T) {
	page := write(t, About{Threshold: 0.1}, dwelling("Home AB"), dwelling("Home CD"))
	var ids []string
	for _, m := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(page, -1) {
		if slices.Contains(ids, m[1]) {
			t.Errorf("id %s twice", m[1])
		}
		ids = append(ids, m[1])
	}
	for _, m := range regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(page, -1) {
		if !slices.Contains(ids, m[1]) {
			t.Errorf("a link to #%s, which is not there", m[1])
		}
	}
	var open []string
	for _, m := range regexp.MustCompile(`<(/?)([a-z][a-z0-9]*)((?:[^>"]|"[^"]*")*?)(/?)>`).FindAllStringSubmatch(page, -1) {
		switch name := m[2]; {
		case m[4] == "/" || name == "meta":
		case m[1] == "":
			open = append(open, name)
		case len(open) == 0 || open[len(open)-1] != name:
			t.Fatalf("</%s> closes %v", name, open)
		default:
			open = open[:len(open)-1]
		}
	}
	if len(open) > 0 {
		t.Errorf("never closed: %v", open)
	}
}

// A study that has begun and has nothing to show yet.
func TestReportOfNothing(t *testing.T) {
	d := dwelling("Home AB")
	empty := Dwelling{Name: "Home AB", Study: d.Study, Summary: summary.OfDwelling(d.Study, time.UTC, nil, nil)}
	empty.Cleaning.ThresholdUA = math.NaN()
	for _, page := range []string{write(t, About{Threshold: 0.1}), write(t, About{Threshold: 0.1}, empty)} {
		if !strings.Contains(page, "no readings") || strings.Contains(page, "NaN") {
			t.Error("a report of nothing does not say so")
		}
	}
}

// As many dwellings as a chart cannot name, and a page each.
func TestReportOfManyDwellings(t *testing.T) {
	var ds []Dwelling
	for i := range 200 {
		ds = append(ds, dwelling(fmt.Sprintf("Home %03d", i)))
	}
	page := write(t, About{Threshold: 0.1}, ds...)
	if n := strings.Count(page, "<article"); n != 200 {
		t.Errorf("%d pages", n)
	}
	if len(page) > 200*30_000 {
		t.Errorf("%d bytes for 200 dwellings", len(page))
	}
}

func TestPlusMinus(t *testing.T) {
	for _, c := range []struct {
		v, u95 float64
		want   string
	}{
		{0.5123, 0.0144, "0.512 ± 0.014"},
		{0.51236, 0.00014, "0.512 ± 0.000"}, // no more than three decimals
		{155.2, 26.3, "155 ± 26"},
		{0.98, math.NaN(), "0.980"},
		{math.NaN(), 1, wording.Unknown},
	} {
		if got := plusMinus(c.v, c.u95, 3); got != c.want {
			t.Errorf("%g ± %g: %s, want %s", c.v, c.u95, got, c.want)
		}
	}
}
