package dataset

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/cmd/greywatt/internal/pseudonym"
)

func inZone(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// Days, weeks and months are those of the calendar: 2026-03-01 is a Sunday, and
// clocks in Dublin go forward on 29 March and back on 25 October 2026.
func TestPeriods(t *testing.T) {
	dublin := inZone(t, "Europe/Dublin")
	for _, c := range []struct{ at, hour, day, week, month string }{
		{"2026-03-01T23:59:59Z", "2026-03-01T23:00:00Z", "2026-03-01T00:00:00Z", "2026-02-23T00:00:00Z", "2026-03-01T00:00:00Z"},
		{"2026-03-02T00:00:00Z", "2026-03-02T00:00:00Z", "2026-03-02T00:00:00Z", "2026-03-02T00:00:00Z", "2026-03-01T00:00:00Z"},
		{"2026-06-30T23:10:00Z", "2026-07-01T00:00:00Z", "2026-07-01T00:00:00Z", "2026-06-29T00:00:00Z", "2026-07-01T00:00:00Z"},
		{"2026-10-25T00:30:00Z", "2026-10-25T01:00:00Z", "2026-10-25T00:00:00Z", "2026-10-19T00:00:00Z", "2026-10-01T00:00:00Z"},
		{"2026-10-25T01:30:00Z", "2026-10-25T01:00:00Z", "2026-10-25T00:00:00Z", "2026-10-19T00:00:00Z", "2026-10-01T00:00:00Z"},
	} {
		for p, want := range map[Period]string{Hour: c.hour, Day: c.day, Week: c.week, Month: c.month, "": c.at} {
			if got := p.of(at(c.at), dublin); got != at(want) {
				t.Errorf("%s of %s: %s, want %s", p, c.at, got, want)
			}
		}
	}
	if Day.of(0, dublin) != 0 {
		t.Error("a time that is not known became one")
	}
}

// crowd is a study of four dwellings, the last with an exchanger of its own. On
// the first day all four have an event, on the second the first and the last.
func crowd() (*greywatt.Study, map[string][]event.Event) {
	s := &greywatt.Study{Name: "Larch Row", Timezone: time.UTC}
	for i := range 4 {
		x := greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9, Effectiveness: 0.5}}}
		if i == 3 {
			x.Rated[0].Effectiveness = 0.6
		}
		s.Dwellings = append(s.Dwellings, greywatt.Dwelling{ID: fmt.Sprintf("larch-%02d", i), Connection: greywatt.ConnectionA, Exchanger: x})
	}
	events := map[string][]event.Event{}
	add := func(dwelling int, start string) {
		id := s.Dwellings[dwelling].ID
		e := event.Event{Dwelling: id, Connection: greywatt.ConnectionA, Start: at(start), End: at(start).Add(600), Kind: event.Shower, VolumeL: float64(10 * dwelling)}
		e.ID = id + "-" + start
		events[id] = append(events[id], e)
	}
	add(0, "2026-01-12T06:00:00Z")
	add(0, "2026-01-12T23:55:00Z") // past midnight
	add(0, "2026-01-13T07:00:00Z")
	add(1, "2026-01-12T08:00:00Z")
	add(2, "2026-01-12T07:00:00Z")
	add(3, "2026-01-12T05:00:00Z")
	add(3, "2026-01-13T05:00:00Z")
	return s, events
}

// disclosed writes the crowd's dataset, the dwellings in the order given.
func disclosed(t *testing.T, d Disclosure, ids []string, change func(*event.Event)) (map[string][]byte, Withheld, error) {
	t.Helper()
	s, events := crowd()
	p := Disclosing(s, "test", t.TempDir(), d)
	defer p.Close()
	for _, id := range ids {
		var trend []finding.TrendPoint
		for i := range events[id] {
			e := &events[id][i]
			if change != nil {
				change(e)
			}
			trend = append(trend, finding.TrendPoint{Dwelling: id, EventID: e.ID, At: e.Start, UARatio: e.VolumeL, Fit: 1 - float64(e.Start)/1e16})
		}
		last := events[id][len(events[id])-1]
		if err := p.Add(events[id], finding.Diagnosis{Trend: trend, Findings: []finding.Finding{
			{Dwelling: id, Code: finding.StepLoss, Since: last.Start, Evidence: "between 2026-01-11 and 2026-01-13"},
		}}); err != nil {
			t.Fatal(err)
		}
	}
	dir := filepath.Join(t.TempDir(), "out")
	if err := p.Write(dir); err != nil {
		return nil, p.Withheld(), err
	}
	return files(t, dir), p.Withheld(), nil
}

func cells(t *testing.T, file []byte) [][]string {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

var inOrder = []string{"larch-00", "larch-01", "larch-02", "larch-03"}

func TestSmallGroups(t *testing.T) {
	d := Disclosure{Key: pseudonym.Key{1}, Coarsen: Day, MinGroup: 3}
	got, withheld, err := disclosed(t, d, inOrder, nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := (Withheld{Dwellings: 1, Events: 3}); !reflect.DeepEqual(withheld, want) {
		t.Errorf("withheld %+v, want %+v", withheld, want)
	}
	events := map[string]bool{}
	var volumes []string
	for _, e := range cells(t, got["events.csv"]) {
		events[e[0]] = true
		volumes = append(volumes, e[8])
		if e[3] != "2026-01-12T00:00:00.000Z" || e[4] != e[3] {
			t.Errorf("event from %s to %s", e[3], e[4])
		}
	}
	slices.Sort(volumes)
	if want := []string{"0.000", "0.000", "10.000", "20.000"}; !slices.Equal(volumes, want) {
		t.Errorf("volumes %v, want %v", volumes, want)
	}
	trend := cells(t, got["trend.csv"])
	for _, p := range trend {
		if !events[p[1]] || p[5] != "" {
			t.Errorf("trend %v: of no event that is told, or with a fit that tells the time", p)
		}
	}
	if len(trend) != 4 {
		t.Errorf("%d points of a trend, want 4", len(trend))
	}
	name := d.Key.Dwellings(inOrder)
	for _, f := range cells(t, got["findings.csv"]) {
		switch since := f[2]; {
		case f[0] == name[3]:
			t.Error("the dwelling with a unit of its own has a finding")
		case since != "": // one is of a day that is not told, the others' of one that two share
			t.Errorf("since %s", since)
		}
	}

	if _, _, err := disclosed(t, Disclosure{Coarsen: Day, MinGroup: 4}, inOrder, nil); !errors.Is(err, ErrTooFew) {
		t.Errorf("four dwellings of which three share a unit, in groups of four: %v", err)
	}
	if _, withheld, err := disclosed(t, Disclosure{Coarsen: Day}, inOrder, nil); err != nil || !reflect.DeepEqual(withheld, Withheld{}) {
		t.Errorf("without a least group %+v is withheld, %v", withheld, err)
	}
}

// What fewer dwellings than may be told of have in common is in no file: findings,
// their days, days in the evidence, flags, and segments of the trend; and risk.csv
// counts what still points at one.
func TestThresholds(t *testing.T) {
	s, events := crowd()
	d := Disclosure{Key: pseudonym.Key{1}, Coarsen: Day, MinGroup: 2}
	p := Disclosing(s, "test", t.TempDir(), d)
	defer p.Close()
	for k, id := range inOrder {
		of := events[id]
		for i := range of {
			of[i].Flags = []event.Flag{event.FlagShortSteady}
			if k == 1 {
				of[i].Flags = append(of[i].Flags, event.FlagNotPlausible)
			}
			of[i].Ratio = 0.9
		}
		f := finding.Finding{Dwelling: id, Code: finding.StepLoss, Since: of[len(of)-1].Start, Channel: "flow", Confidence: 0.9,
			Evidence: "fell by 20 %; until 2026-01-13, when the unit was cleaned; 40 showers"}
		if k == 2 {
			f.Code = finding.ParallelFlow
		}
		if err := p.Add(of, finding.Diagnosis{Findings: []finding.Finding{f}, Trend: []finding.TrendPoint{{Dwelling: id, EventID: of[0].ID, At: of[0].Start, Segment: 3}}}); err != nil {
			t.Fatal(err)
		}
	}
	dir := filepath.Join(t.TempDir(), "out")
	if err := p.Write(dir); err != nil {
		t.Fatal(err)
	}
	got := files(t, dir)
	name := d.Key.Dwellings(inOrder)
	for _, e := range cells(t, got["events.csv"]) {
		if ratio := e[columnOf(p.events, "ratio")]; (ratio == "") != (e[1] == name[1]) {
			t.Errorf("ratio %q of %s: want none of the one whose warning is withheld", ratio, e[1])
		}
		if flags := e[columnOf(p.events, "flags")]; flags != string(event.FlagShortSteady) {
			t.Errorf("flags %q", flags)
		}
	}
	for _, row := range cells(t, got["trend.csv"]) {
		if segment := row[columnOf(p.trend, "segment")]; segment != "" {
			t.Errorf("segment %s", segment)
		}
	}
	for _, f := range cells(t, got["findings.csv"]) { // with one dwelling's own withheld, the others' would tell it
		if want := []string{f[0], "withheld", "", "0.900", "", "", "", ""}; !slices.Equal(f, want) {
			t.Errorf("finding %q, want %q", f, want)
		}
	}
	risk := map[string][]string{}
	for _, r := range cells(t, got["risk.csv"]) {
		risk[r[0]] = r[2:]
	}
	for attack, want := range map[string][]string{
		"unit": {"3", "0", "3"}, "flags": {"3", "0", "3"}, "findings": {"3", "0", "3"},
	} {
		if !slices.Equal(risk[attack], want) {
			t.Errorf("attack by %s: %v, want %v (dwellings, singled out, smallest group)", attack, risk[attack], want)
		}
	}
	if risk["presence"] == nil || risk["events"] == nil || risk["finding-dates"] == nil {
		t.Errorf("attacks tried: %v", risk)
	}
	if w := p.Withheld(); w.Findings != 3 || !slices.Equal(w.Flags, []string{string(event.FlagNotPlausible)}) {
		t.Errorf("withheld %+v", w)
	}
}

// Findings that few have are withheld, so many that those withheld are no few, and
// of the rest the days that few share.
func TestRareFindings(t *testing.T) {
	row := func(name string, code finding.Code, since greywatt.Instant) findingRow {
		return findingRow{Dwelling: name, Code: code, Since: since}
	}
	h := &discloser{Disclosure: Disclosure{MinGroup: 2}, findings: []findingRow{
		row("a", finding.Fouling, 7), row("b", finding.Fouling, 7), row("c", finding.Fouling, 8), row("d", finding.Fouling, 9),
		row("e", finding.ParallelFlow, 1), row("e", finding.Leak, 1), row("f", finding.NoRecovery, 1),
		row("g", finding.StepLoss, 5), row("h", finding.StepLoss, 5), row("i", finding.StepLoss, 6),
	}}
	h.rareFindings()
	h.rareBeginnings()
	var got []string
	for _, f := range h.findings {
		got = append(got, fmt.Sprintf("%s %s %d", f.Dwelling, f.Code, f.Since))
	}
	want := []string{
		"a fouling 7", "b fouling 7", "c fouling 0", "d fouling 0", "e withheld 0", "f withheld 0",
		"g step-loss 0", "h step-loss 0", "i step-loss 0", // one without would be alone
	}
	if !slices.Equal(got, want) || h.withheld.Findings != 3 {
		t.Errorf("%q, %d withheld, want %q", got, h.withheld.Findings, want)
	}
}

// Neither the order of the study file nor that of a day's events is in the
// bytes: other moments of the same day, and dwellings in another order, give the
// same files.
func TestOrderTellsNothing(t *testing.T) {
	d := Disclosure{Key: pseudonym.Key{1}, Coarsen: Day}
	want, _, err := disclosed(t, d, inOrder, nil)
	if err != nil {
		t.Fatal(err)
	}
	other := slices.Clone(inOrder)
	slices.Reverse(other)
	got, _, err := disclosed(t, d, other, func(e *event.Event) {
		day := Day.of(e.Start, time.UTC)
		e.Start = day + (24*3600*1_000_000 - 1 - (e.Start - day)) // the day backwards; the id stays
	})
	if err != nil {
		t.Fatal(err)
	}
	for name := range want {
		if !bytes.Equal(got[name], want[name]) {
			t.Errorf("%s differs:\n%s\n%s", name, got[name], want[name])
		}
	}
	if !slices.IsSortedFunc(cells(t, got["findings.csv"]), func(a, b []string) int { return strings.Compare(a[0], b[0]) }) {
		t.Error("findings are not in the order of the pseudonyms")
	}
}

func TestEvidenceIsCoarsened(t *testing.T) {
	for p, want := range map[Period]string{
		"": "between 2026-01-11 and 2026-01-13", Day: "between 2026-01-11 and 2026-01-13",
		Week: "between 2026-01-05 and 2026-01-12", Month: "between 2026-01-01 and 2026-01-01",
	} {
		got, _, err := disclosed(t, Disclosure{Coarsen: p}, inOrder, nil)
		if err != nil {
			t.Fatal(err)
		}
		if f := cells(t, got["findings.csv"])[0]; f[4] != want {
			t.Errorf("%s: %s, want %s", p, f[4], want)
		}
	}
}

// The files are those that the package is said to have.
func TestFiles(t *testing.T) {
	got := slices.Sorted(maps.Keys(writeAll(t)))
	want := slices.Clone(Files)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("files %v, want %v", got, want)
	}
}
