package report

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/annual"
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
	r := Report{Pages: true}
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

// street returns many dwellings that differ, with a year and cleanings.
func street(n int) []Dwelling {
	var out []Dwelling
	for i := range n {
		d := dwelling(fmt.Sprintf("Home %03d", i))
		s := &d.Summary
		s.Group, s.Connection = []string{"flats", "houses"}[i%2], greywatt.Connection('A'+i%3)
		s.Ratio.Median += 0.05 * math.Sin(float64(i))
		s.Ratio.OwnU95, s.Ratio.U95 = 0.02, 0.03
		s.HeatU95KWh, s.FuelU95KWh = 0.4, 0.5
		for k := range s.Months {
			m := &s.Months[k]
			m.Effectiveness.Median, m.Effectiveness.U95, m.Effectiveness.OwnU95, m.MainsC = 0.5-0.02*float64(k), 0.02, 0.01, 9+3*float64(k)
		}
		d.Findings[0].Code = []finding.Code{finding.Healthy, finding.Healthy, finding.Fouling, finding.Healthy, finding.StepLoss, finding.Undecided}[i%6]
		if i%40 == 7 {
			s.Ratio.Median, d.Findings[0].Code = 0.1, finding.NoRecovery
		}
		d.Year = summary.Year{Year: annual.Year{HeatKWh: 400, Measured: 20, Days: 60, Showers: 500}, Dwellings: 1, HeatU95KWh: 40, Imputed: 0.9, Fuel: 450, Carbon: math.NaN()}
		if i%50 == 3 {
			d.Year = summary.Year{Year: annual.Year{HeatKWh: math.NaN()}, Silent: 1}
		}
		if i%10 == 2 {
			lift := 0.1 + 0.001*float64(i)
			d.Effects = []summary.Effect{{
				Dwelling: d.Name, Kind: greywatt.FactCleaned, At: greywatt.InstantOf(start),
				Before: summary.Estimate{Median: 0.8, Events: 28, U95: 0.03}, After: summary.Estimate{Median: 0.8 + lift, Events: 28, U95: 0.03},
				Difference: summary.Estimate{Median: lift, OwnU95: 0.02, U95: 0.02},
			}}
		}
		out = append(out, d)
	}
	return out
}

func reportOf(t *testing.T, pages bool, ds []Dwelling) *Report {
	t.Helper()
	r := &Report{Pages: pages}
	for _, d := range ds {
		if err := r.Add(d, time.UTC); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

var aboutLarch = About{Study: "Larch Row", Zone: time.UTC, Threshold: 0.1, Program: "greywatt 1.0", Digest: strings.Repeat("ab", 32)}

// What is asked first stands first; dwellings have no pages unless asked for.
func TestReportAnswersFirst(t *testing.T) {
	var b bytes.Buffer
	if err := reportOf(t, false, street(12)).Write(&b, aboutLarch); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	at := 0
	for _, want := range []string{
		"Heat in a year", "<svg", "Over 12 dwellings the units reach", `<h2>Groups</h2>`, "Connection A", "Group flats", `<h2>A year</h2>`, "4400", "One dwelling has too little for a year",
		`<h2>Month by month</h2>`, `<h2>Before and after work</h2>`, "Home 002", "&#43;0.102 ± 0.020", `<h2>Findings</h2>`, "No recovery", "Home 007 (0.10)", "Healthy", `<h2>Every dwelling</h2>`, `<h2>Method and assumptions</h2>`,
	} {
		k := strings.Index(page[at:], want)
		if k < 0 {
			t.Fatalf("no %q after %q", want, page[max(0, at-60):at])
		}
		at += k
	}
	if strings.Contains(page, "<article") || strings.Contains(page, `href="#pages"`) || strings.Contains(page, `href="#d1"`) {
		t.Error("pages of dwellings that nobody asked for")
	}
	if strings.Contains(page, "NaN") || strings.Contains(page, "ZgotmplZ") {
		t.Error("NaN in the report")
	}
}

// The PDF has the same figures; its first page has the answer and the chart.
func TestReportAsPDF(t *testing.T) {
	r := reportOf(t, false, street(40))
	write := func() []byte {
		var b bytes.Buffer
		if err := r.WritePDF(&b, aboutLarch); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	first := write()
	if !bytes.HasPrefix(first, []byte("%PDF-")) || !bytes.Equal(first, write()) {
		t.Error("no PDF, or another one of the same results")
	}
	if n := bytes.Count(first, []byte("/Type /Page\n")); n < 4 || n > 14 {
		t.Errorf("%d pages for 40 dwellings", n)
	}
	short := reportOf(t, true, street(2))
	var b bytes.Buffer
	if err := short.WritePDF(&b, aboutLarch); err != nil {
		t.Fatal(err)
	}
	var without bytes.Buffer
	if err := reportOf(t, false, street(2)).WritePDF(&without, aboutLarch); err != nil {
		t.Fatal(err)
	}
	if a, z := bytes.Count(b.Bytes(), []byte("/Type /Page\n")), bytes.Count(without.Bytes(), []byte("/Type /Page\n")); a < z+2 {
		t.Errorf("%d pages with two dwellings' pages, %d without", a, z)
	}
}

// Each chart is there as SVG and PNG, with its figures as CSV.
func TestReportFiles(t *testing.T) {
	got := map[string][]byte{}
	for _, f := range reportOf(t, false, street(12)).Files(aboutLarch) {
		var b bytes.Buffer
		if err := f.Write(&b); err != nil {
			t.Fatal(err)
		}
		got[f.Name] = b.Bytes()
	}
	for name, begins := range map[string]string{
		"distribution.svg": "<svg", "distribution.png": "\x89PNG", "season.svg": "<svg", "season.png": "\x89PNG",
		"distribution.csv": "dwelling,connection,group,events,ratio,", "season.csv": "month,showers,", "work.csv": "dwelling,kind,at,",
	} {
		if !bytes.HasPrefix(got[name], []byte(begins)) {
			t.Errorf("%s begins with %.20q", name, got[name])
		}
	}
	rows, err := csv.NewReader(bytes.NewReader(got["distribution.csv"])).ReadAll()
	if err != nil || len(rows) != 13 || rows[8][0] != "Home 007" || rows[8][4] != "0.10000" || rows[8][13] != "no-recovery" || rows[4][11] != "" {
		t.Errorf("distribution.csv: %v, %v", rows, err)
	}
}
