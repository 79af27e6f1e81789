package dataset

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"greywatt"
	"greywatt/analysis/annual"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/analysis/uncert"
)

// sums returns a dwelling of six showers, with a meter and clamps of a batch.
func sums(id, batch string, kWh float64) (*greywatt.Dwelling, summary.Dwelling) {
	d := &greywatt.Dwelling{ID: id, Connection: greywatt.ConnectionA, Group: "north",
		Exchanger: greywatt.Exchanger{Orientation: greywatt.Vertical, Rated: []greywatt.RatedPoint{{FlowLMin: 7, Effectiveness: 0.55}, {FlowLMin: 9.5, Effectiveness: 0.5}}},
		Heater:    greywatt.Heater{Kind: "gas", Efficiency: 0.9, CarbonKgPerKWh: math.NaN(), PricePerKWh: math.NaN()},
		Sensors: []greywatt.Sensor{
			{Channel: greywatt.Flow, U95Relative: 0.03, BatchU95Relative: 0.02, Batch: batch, Scale: 1},
			{Channel: greywatt.PreheatOut, U95K: 0.3, BatchU95K: 0, Scale: 1},
		}}
	var events []event.Event
	for i := range 6 {
		e := event.New()
		e.Kind, e.Start, e.Dwelling = event.Shower, greywatt.InstantOf(time.Date(2026, 3, 28+i, 7, 0, 0, 0, time.UTC)), id
		e.HeatKWh, e.HeatU95KWh = kWh, 0.02
		e.Budgets.Heat.Rows = []uncert.Row{
			{Name: "mains flow", Contribution: 0.015 * kWh * event.JoulesPerKWh},
			{Name: "cold-in clamp", Contribution: 0.01 * event.JoulesPerKWh}, // of no declared sensor
			{Name: "preheat-out clamp", Contribution: -0.012 * event.JoulesPerKWh},
			{Name: event.EndsOfFlow, Contribution: 0.004 * event.JoulesPerKWh},
		}
		events = append(events, e)
	}
	return d, summary.OfDwelling(d, time.UTC, events, nil)
}

// By SQLite, a reader other than the writer: the query that the reference prints
// gives from the files what the program says of the study.
func TestUncertaintyFromTheFiles(t *testing.T) {
	p := New(&greywatt.Study{Name: "Larch Row"}, "test", t.TempDir())
	defer p.Close()
	var all []summary.Dwelling
	for i, batch := range []string{"spring", "spring", "autumn", "autumn", "autumn"} {
		d, s := sums(fmt.Sprintf("larch-%d", i), batch, 0.6+0.1*float64(i))
		if err := p.AddDwelling(d, &s); err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	dir := t.TempDir()
	if err := p.Write(dir); err != nil {
		t.Fatal(err)
	}
	db, err := sqlite.OpenConn(":memory:", sqlite.OpenReadWrite|sqlite.OpenCreate)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, table := range []string{"monthly", "uncertainty"} {
		load(t, db, filepath.Join(dir, table+".csv"), table)
	}
	query, err := os.ReadFile("uncertainty.sql")
	if err != nil {
		t.Fatal(err)
	}
	var heat, u95 float64
	err = sqlitex.ExecuteTransient(db, strings.TrimSpace(string(query)), &sqlitex.ExecOptions{ResultFunc: func(s *sqlite.Stmt) error {
		heat, u95 = s.ColumnFloat(0), s.ColumnFloat(1)
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	study := summary.OfStudy(all)[0]
	if math.Abs(heat-study.HeatKWh) > 1e-3 || math.Abs(u95-study.HeatU95KWh) > 1e-4 {
		t.Errorf("by the files %.4f ± %.4f kWh, by the program %.4f ± %.4f", heat, u95, study.HeatKWh, study.HeatU95KWh)
	}
	// by hand: 24 kWh, 6 (0.6 + ... + 1.0); the meters' batches share 4/9 of the variance
	// 0.015²; cold-in clamps, of no batch, are one; preheat-out clamps are each their own
	spring, autumn := 6*1.3, 6*2.7
	var own float64
	for i := range 5 {
		kWh := 6 * (0.6 + 0.1*float64(i))
		own += 0.015*0.015*kWh*kWh*5/9 + 36*0.012*0.012 + 6*0.004*0.004
	}
	want := 2 * math.Sqrt(own+0.015*0.015*4/9*(spring*spring+autumn*autumn)+900*0.01*0.01)
	if math.Abs(study.HeatU95KWh-want) > 1e-9 || math.Abs(study.HeatKWh-24) > 1e-9 {
		t.Errorf("%.6f ± %.6f kWh, by hand 24 ± %.6f", study.HeatKWh, study.HeatU95KWh, want)
	}
}

func load(t *testing.T, db *sqlite.Conn, file, table string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if err := sqlitex.ExecuteTransient(db, fmt.Sprintf("CREATE TABLE %s (%s)", table, strings.Join(rows[0], ",")), nil); err != nil {
		t.Fatal(err)
	}
	marks := strings.TrimSuffix(strings.Repeat("?,", len(rows[0])), ",")
	for _, row := range rows[1:] {
		args := make([]any, len(row))
		for i, cell := range row {
			args[i] = cell
		}
		if err := sqlitex.ExecuteTransient(db, fmt.Sprintf("INSERT INTO %s VALUES (%s)", table, marks), &sqlitex.ExecOptions{Args: args}); err != nil {
			t.Fatal(err)
		}
	}
}

func TestEveryFindingHasAMeaning(t *testing.T) {
	for _, c := range findingCodes {
		if findingMeanings[finding.Code(c)] == "" {
			t.Errorf("codes.csv says nothing of %s", c)
		}
	}
}

// What describes a dwelling stays out of a dataset that hides which it is.
func TestDisclosingLeavesDwellingsOut(t *testing.T) {
	d, s := sums("larch-0", "spring", 0.6)
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{*d}}
	p := Disclosing(study, "test", t.TempDir(), Disclosure{MinGroup: 1})
	defer p.Close()
	events, _ := contents()
	events = events[:1]
	events[0].Dwelling, events[0].ID = d.ID, d.ID+"-20260112T071403Z"
	if err := p.Add(events, finding.Diagnosis{}); err != nil {
		t.Fatal(err)
	}
	if err := p.AddDwelling(d, &s); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := p.Write(dir); err != nil {
		t.Fatal(err)
	}
	for name, text := range files(t, dir) {
		if name == "dwellings.csv" || name == "monthly.csv" || name == "uncertainty.csv" || bytes.Contains(text, []byte("spring")) {
			t.Errorf("%s is there, or tells the batch", name)
		}
	}
}

// Years and work stand in their tables; a dwelling without a year has no row.
func TestYearsAndWork(t *testing.T) {
	p := New(&greywatt.Study{Name: "Larch Row"}, "test", t.TempDir())
	defer p.Close()
	year := summary.Year{Year: annual.Year{HeatKWh: 400, Days: 60, Showers: 700, Lost: 3, Season: annual.Season{MeanC: 12, CosC: -3, SinC: 4}}, HeatU95KWh: 40, Imputed: 0.8,
		Shares: summary.Shares{OwnU95: 24, BatchU95: 32}, Fuel: 450, FuelU95KWh: 45, Carbon: math.NaN(), CarbonU95Kg: math.NaN()}
	effect := summary.Effect{Dwelling: "larch-1", Kind: greywatt.FactCleaned, At: at("2026-03-01T00:00:00Z"), Before: summary.Estimate{Median: 0.8, U95: 0.03, Events: 20},
		After: summary.Estimate{Median: 0.95, U95: 0.03, Events: 21}, Difference: summary.Estimate{Median: 0.15, U95: 0.02, OwnU95: 0.01}}
	if err := p.AddYear("larch-1", &year, []summary.Effect{effect}); err != nil {
		t.Fatal(err)
	}
	if err := p.AddYear("larch-2", &summary.Year{Year: annual.Year{HeatKWh: math.NaN()}}, nil); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := p.Write(dir); err != nil {
		t.Fatal(err)
	}
	got := files(t, dir)
	for name, want := range map[string]string{
		"yearly.csv": "larch-1,60.00,700.0,3,0.8000,12.00,5.00,400.000,40.000,24.000,32.000,450.000,45.000,,",
		"work.csv":   "larch-1,cleaned,2026-03-01T00:00:00.000Z,20,21,0.80000,0.03000,0.95000,0.03000,0.15000,0.02000,0.01000",
	} {
		if rows := strings.Split(strings.TrimSpace(string(got[name])), "\n"); len(rows) != 2 || rows[1] != want {
			t.Errorf("%s: %q, want %q", name, rows, want)
		}
	}
}
