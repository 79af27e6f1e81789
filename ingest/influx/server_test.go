package influx_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/influx"
	"greywatt/ingest/influx/influxdtest"
	"greywatt/ingest/ingesttest"
)

// TestServer runs against InfluxDB 1.8.10, each part in a database of its own.
func TestServer(t *testing.T) {
	s := influxdtest.Open(t)
	for name, test := range map[string]func(*testing.T, *site){
		"round trip":    testRoundTrip,
		"paging":        testPaging,
		"dense":         testDense,
		"first stays":   testFirstStays,
		"nodes":         testNodes,
		"late":          testLate,
		"type conflict": testTypeConflict,
		"retention":     testRetention,
		"set aside":     testRejected,
		"presence":      testPresence,
		"replace":       testReplace,
		"erase":         testErase,
		"no bucket":     testNoBucket,
	} {
		t.Run(name, func(t *testing.T) {
			bucket := strings.ReplaceAll(name, " ", "_")
			s.Exec(t, fmt.Sprintf("CREATE DATABASE %q", bucket))
			test(t, &site{s, bucket})
		})
	}
}

// testRoundTrip: values of any bits, instants from end to end, and names of any
// characters, more than payload.CheckID lets pass, come back as they went.
func testRoundTrip(t *testing.T, s *site) {
	db := s.open(t)
	rng := rand.New(rand.NewPCG(1, 2))
	names := []string{"larch-04", "elm 3", "a,b", "c=d", `say "hi"`, "straße", "$dollar{x}", "x" + strings.Repeat("y", 127), `per%cent'`, "urn:dev:ow:10e2073a01080063"}
	var rs []greywatt.Reading
	for i := range 4000 {
		v := math.Float64frombits(rng.Uint64())
		switch i % 4 {
		case 0:
			v = float64(rng.IntN(2000)) / 16
		case 1:
			v = rng.Float64()
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			v = math.SmallestNonzeroFloat64
		}
		rs = append(rs, reading(names[i%len(names)], names[i/10%len(names)], greywatt.Channel(i%greywatt.NumChannels), day+greywatt.Instant(i)*333_333, v))
	}
	rs = append(rs,
		reading("larch-04", "", greywatt.Flow, day+1, math.MaxFloat64),
		reading("larch-04", "n1", greywatt.Flow, 1, -math.MaxFloat64),
		reading("larch-04", "n1", greywatt.Flow, math.MaxInt64/1000-1, math.Pi),
	)
	appendAll(t, db, rs, ingest.Counts{New: len(rs)})
	ingesttest.Compare(t, stored(t, db, names...), bitsOf(rs))
	appendAll(t, db, rs, ingest.Counts{Duplicate: len(rs)})
	ingesttest.Compare(t, stored(t, db, names...), bitsOf(rs))

	ids, err := db.Dwellings(t.Context())
	if slices.Sort(names); err != nil || !slices.Equal(ids, names) {
		t.Errorf("dwellings %q, %v; want %q", ids, err, names)
	}

	appendAll(t, db, []greywatt.Reading{reading("zero", "n1", greywatt.Flow, day, math.Copysign(0, -1))}, ingest.Counts{New: 1})
	ingesttest.Compare(t, stored(t, db, "zero"), bitsOf([]greywatt.Reading{reading("zero", "n1", greywatt.Flow, day, 0)}))
}

// testPaging reads more than a page of nodes of different rates, whole and in
// parts.
func testPaging(t *testing.T, s *site) {
	db := s.open(t)
	var rs []greywatt.Reading
	for i := range greywatt.Instant(12_000) {
		at := day + i*second
		rs = append(rs, reading("larch-04", "n1", greywatt.WasteIn, at, float64(i)))
		if i%3 == 0 {
			rs = append(rs, reading("larch-04", "n1", greywatt.Flow, at+500, float64(i)/8))
		}
		if i%600 == 0 {
			rs = append(rs, reading("larch-04", "n2", greywatt.Ambient, at, 20+float64(i%7)))
		}
	}
	for i := range greywatt.Instant(9000) { // a channel that falls silent, and much later another
		rs = append(rs, reading("larch-04", "n3", greywatt.WasteFlow, day+i*second/2, float64(i)))
	}
	rs = append(rs, reading("larch-04", "n3", greywatt.ColdIn, day+400*24*3600*second, 8), reading("larch-05", "n1", greywatt.Flow, day, 1))
	for chunk := range slices.Chunk(rs, 20_000) {
		appendAll(t, db, chunk, ingest.Counts{New: len(chunk)})
	}
	ingesttest.Compare(t, stored(t, db, "larch-04"), bitsOf(rs[:len(rs)-1]))

	all := frames(t, db, "larch-04", 0, 0)
	for _, part := range [][2]greywatt.Instant{
		{day, day + 1}, {day + 1, day + 100*second}, {day + 100*second, day + 9000*second + 500}, {day + 9000*second + 500, 0}, {0, day}, {day + 7, day + 7},
	} {
		var want []greywatt.Frame
		for _, f := range all {
			if f.At >= part[0] && (part[1] == 0 || f.At < part[1]) {
				want = append(want, f)
			}
		}
		if got := frames(t, db, "larch-04", part[0], part[1]); len(got) != len(want) || len(got) > 0 && (got[0].At != want[0].At || got[len(got)-1].At != want[len(want)-1].At) {
			t.Errorf("from %d to %d: %d frames, want %d", part[0], part[1], len(got), len(want))
		}
	}
	n := 0
	for range db.Frames(t.Context(), "larch-04", 0, 0) {
		n++
		break
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, err := range db.Frames(ctx, "larch-04", 0, 0) {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("scan with a cancelled context: %v", err)
		}
		n++
	}
	if n != 2 {
		t.Errorf("%d steps, want one of each", n)
	}
}

// testDense reads more frames in a minute than a scan takes at a time.
func testDense(t *testing.T, s *site) {
	var lines strings.Builder
	const n = 120_000
	for i := range n {
		fmt.Fprintf(&lines, "reading,dwelling=larch-04,node=n1 flow_l_s=%d %d\n", i%8, int64(day)+int64(i)*500)
	}
	s.raw(t, lines.String())
	if got := frames(t, s.open(t), "larch-04", 0, 0); len(got) != n || got[n-1].At != day+(n-1)*500 {
		t.Errorf("%d frames, want %d", len(got), n)
	}
}

// testFirstStays: of two values for one channel and instant the first stays,
// within a call and between calls, and what is new beside it is taken.
func testFirstStays(t *testing.T, s *site) {
	db := s.open(t)
	at := func(v float64) greywatt.Reading { return reading("larch-04", "n1", greywatt.Flow, day, v) }
	appendAll(t, db, []greywatt.Reading{at(0.1), at(0.2), at(0.1), reading("larch-04", "n1", greywatt.WasteIn, day, 36)},
		ingest.Counts{New: 2, Duplicate: 1, Conflict: 1})
	appendAll(t, db, []greywatt.Reading{at(0.3), reading("larch-04", "n1", greywatt.ColdIn, day, 8), reading("larch-04", "n2", greywatt.Flow, day, 0.3)},
		ingest.Counts{New: 2, Conflict: 1})
	appendAll(t, s.open(t), []greywatt.Reading{at(0.3), at(0.1)}, ingest.Counts{Duplicate: 1, Conflict: 1})
	ingesttest.Compare(t, stored(t, db, "larch-04"), bitsOf([]greywatt.Reading{at(0.1),
		reading("larch-04", "n1", greywatt.WasteIn, day, 36), reading("larch-04", "n1", greywatt.ColdIn, day, 8), reading("larch-04", "n2", greywatt.Flow, day, 0.3)}))
	got, err := db.Conflicts(t.Context(), 10)
	if want := []ingest.Conflict{{Reading: at(0.3), Kept: 0.1}}; err != nil || !slices.Equal(got, want) {
		t.Errorf("conflicts %+v, %v; want %+v", got, err, want)
	}
}

// testNodes: what is known of nodes by their readings, conflicts or presence.
func testNodes(t *testing.T, s *site) {
	db := s.open(t)
	appendAll(t, db, []greywatt.Reading{
		reading("larch-04", "n2", greywatt.Flow, day+5, 1), reading("larch-04", "n2", greywatt.Flow, day+5, 2), reading("larch-04", "n2", greywatt.ColdIn, day+9, 2),
		reading("elm", "n1", greywatt.Flow, day-3*365*24*3600*second, 1),
	}, ingest.Counts{New: 3, Conflict: 1})
	if err := db.SetPresences(t.Context(), []ingest.Presence{{Dwelling: "larch-04", Node: "n1", Up: true, Since: day}, {Dwelling: "elm", Node: "n1", Up: true, Since: day}}); err != nil {
		t.Fatal(err)
	}
	got, err := db.Nodes(t.Context())
	want := []ingest.NodeSummary{
		{Dwelling: "elm", Node: "n1", Last: day - 3*365*24*3600*second},
		{Dwelling: "larch-04", Node: "n1"},
		{Dwelling: "larch-04", Node: "n2", Conflicts: 1, Last: day + 9},
	}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("nodes %+v, %v; want %+v", got, err, want)
	}
}

// testLate: readings of years come shuffled, from nodes of many dwellings, in
// parts that overlap.
func testLate(t *testing.T, s *site) {
	db := s.open(t)
	rng := rand.New(rand.NewPCG(3, 4))
	var rs []greywatt.Reading
	var names []string
	for d := range 300 { // more than one look covers
		names = append(names, fmt.Sprintf("d%03d", d))
		week := day - greywatt.Instant(rng.IntN(40))*7*24*3600*second
		for i := range 20 {
			at := week + greywatt.Instant(i)*second
			rs = append(rs, reading(names[d], "n1", greywatt.Flow, at, rng.Float64()), reading(names[d], "n1", greywatt.ColdIn, at, 8))
		}
		// All at the same time too: one look would have to cover all dwellings.
		rs = append(rs, reading(names[d], "n2", greywatt.Ambient, day, float64(d)))
	}
	rng.Shuffle(len(rs), func(i, j int) { rs[i], rs[j] = rs[j], rs[i] })
	var counts ingest.Counts
	for begin := 0; begin < len(rs); begin += 3000 {
		n, err := db.Append(t.Context(), rs[max(0, begin-500):min(len(rs), begin+3000)])
		if err != nil {
			t.Fatal(err)
		}
		counts.New += n.New
		counts.Duplicate += n.Duplicate
	}
	want := bitsOf(rs)
	if counts.New != len(want) || counts.Duplicate == 0 {
		t.Errorf("counts %+v, want %d new and some duplicates", counts, len(want))
	}
	ingesttest.Compare(t, stored(t, db, names...), want)
}

// testTypeConflict: another program made a field an integer. Just the values of
// that field and week are refused; they are named, counted and rejected.
func testTypeConflict(t *testing.T, s *site) {
	db := s.open(t)
	s.raw(t, fmt.Sprintf("reading,dwelling=alien,node=x flow_l_s=1i %d\n", day+5*24*3600*second))
	var good, bad, all []greywatt.Reading
	for i := range greywatt.Instant(700) {
		at := day + (i-350)*second // half of them in the week before, where the field is free
		flow := reading("larch-04", "n1", greywatt.Flow, at, float64(i)/1000)
		waste := reading("larch-04", "n1", greywatt.WasteIn, at, 36)
		all = append(all, flow, waste)
		good = append(good, waste)
		if at < day {
			good = append(good, flow)
		} else {
			bad = append(bad, flow)
		}
	}
	appendAll(t, db, all, ingest.Counts{New: len(good), Rejected: len(bad)})
	ingesttest.Compare(t, stored(t, db, "larch-04"), bitsOf(good))
	appendAll(t, db, all, ingest.Counts{Duplicate: len(good), Rejected: len(bad)})

	counts, err := db.RejectedCounts(t.Context())
	if want := []ingest.RejectedCount{{Dwelling: "larch-04", Reason: ingest.ServerRefused, N: int64(len(bad))}}; err != nil || !slices.Equal(counts, want) {
		t.Errorf("counts %+v, %v; want %+v, though the readings came twice", counts, err, want)
	}
	rejectedRecords, err := db.Rejected(t.Context(), 1000)
	if err != nil || len(rejectedRecords) != len(bad) {
		t.Fatalf("%d refusals, %v; want %d", len(rejectedRecords), err, len(bad))
	}
	records := make(map[string]bool)
	for _, r := range rejectedRecords {
		if !strings.Contains(r.Detail, "field type conflict") || r.Source != db.String() {
			t.Fatalf("refusal %+v does not say why", r)
		}
		records[r.Record] = true
	}
	if want := fmt.Sprintf("reading,dwelling=larch-04,node=n1 flow_l_s=0.35 %d", day); !records[want] {
		t.Errorf("no record %q", want)
	}
}

// testRetention: what is older than the bucket keeps is refused, not lost in
// silence.
func testRetention(t *testing.T, s *site) {
	s.Exec(t, `CREATE RETENTION POLICY brief ON "retention" DURATION 24h REPLICATION 1`)
	s.bucket = "retention/brief"
	db := s.open(t)
	now := greywatt.InstantOf(time.Now())
	old, fresh := reading("larch-04", "n1", greywatt.Flow, day-365*24*3600*second, 1), reading("larch-04", "n1", greywatt.Flow, now, 1)
	appendAll(t, db, []greywatt.Reading{old, fresh}, ingest.Counts{New: 1, Rejected: 1})
	ingesttest.Compare(t, stored(t, db, "larch-04"), bitsOf([]greywatt.Reading{fresh}))
	if rs, err := db.Rejected(t.Context(), 10); err != nil || len(rs) != 1 || !strings.Contains(rs[0].Detail, "retention") {
		t.Errorf("refusals %+v, %v", rs, err)
	}
}

func testRejected(t *testing.T, s *site) {
	db := s.open(t)
	if rs, err := db.Rejected(t.Context(), 10); err != nil || len(rs) != 0 {
		t.Errorf("refusals of an empty bucket: %v, %v", rs, err)
	}
	var want []ingest.RejectedRecord
	for i := range 5 {
		want = append(want, ingest.RejectedRecord{
			Source: "greywatt/larch-04/n1/senml", Dwelling: "larch-04", Reason: ingest.BadUnit,
			Detail: "unit \"F\"\nwant Cel", Record: fmt.Sprintf(`{"n":"flow\\","u":"F","v":%d}`, i), At: day + greywatt.Instant(i),
		})
	}
	want = append(want, ingest.RejectedRecord{Source: "x.csv:7", Reason: ingest.BadColumn, Record: strings.Repeat("é", 500)})
	for range 2 {
		if err := db.AppendRejected(t.Context(), want); err != nil {
			t.Fatal(err)
		}
	}
	got, err := db.Rejected(t.Context(), 3)
	if err != nil || len(got) != 3 || got[0] != want[4] || got[2] != want[2] {
		t.Errorf("newest refusals %+v, %v", got, err)
	}
	got, err = db.Rejected(t.Context(), 100)
	if err != nil || len(got) != 6 || got[5] != want[5] {
		t.Errorf("refusals %+v, %v", got, err)
	}
	counts, err := db.RejectedCounts(t.Context())
	if want := []ingest.RejectedCount{{Dwelling: "", Reason: ingest.BadColumn, N: 1}, {Dwelling: "larch-04", Reason: ingest.BadUnit, N: 5}}; err != nil || !slices.Equal(counts, want) {
		t.Errorf("counts %+v, %v; want %+v", counts, err, want)
	}
}

func testPresence(t *testing.T, s *site) {
	db := s.open(t)
	for _, ps := range [][]ingest.Presence{
		{{Dwelling: "larch-04", Node: "n1", Up: true, Since: day}, {Dwelling: "elm", Node: "n1", Up: true, Since: day}},
		{{Dwelling: "elm", Node: "n1", Up: false, Since: day + 1}, {Dwelling: "elm", Node: "n1", Up: true, Since: day + 2}, {Dwelling: "larch-04", Node: "n1", Up: true, Since: day + 3}},
		{{Dwelling: "larch-04", Node: "n1", Up: true, Since: day + 4}, {Dwelling: "elm", Node: "n1", Up: false, Since: day + 5}},
	} {
		if err := db.SetPresences(t.Context(), ps); err != nil {
			t.Fatal(err)
		}
	}
	got, err := db.Presences(t.Context())
	if want := []ingest.Presence{{Dwelling: "elm", Node: "n1", Up: false, Since: day + 5}, {Dwelling: "larch-04", Node: "n1", Up: true, Since: day}}; err != nil || !slices.Equal(got, want) {
		t.Errorf("presences %+v, %v; want %+v", got, err, want)
	}
}

// testReplace: results that an analysis gives anew take the place of the old.
func testReplace(t *testing.T, s *site) {
	db := s.open(t)
	event := func(dwelling string, at greywatt.Instant, fields ...influx.Field) influx.Point {
		return influx.Point{Measurement: "event", Tags: []influx.Tag{{"dwelling", dwelling}}, At: at, Fields: fields}
	}
	ratio := influx.Field{"ratio", 0.97}
	other := event("elm", day, ratio)
	first := []influx.Point{
		event("larch-04", day, ratio, influx.Field{"heat_kwh", 0.4}, influx.Field{"kind", "shower"}),
		event("larch-04", day+60*second, ratio),
		event("larch-04", day+90*second, ratio),
	}
	second := []influx.Point{
		event("larch-04", day, influx.Field{"ratio", 0.95}, influx.Field{"kind", "shower"}, influx.Field{"heat_kwh", math.NaN()}), // heat is not known any more
		event("larch-04", day+70*second, ratio), // begins later than it seemed
		event("larch-04", day+90*second, ratio),
	}
	for _, points := range [][]influx.Point{first, second, second} {
		if err := db.Replace(t.Context(), "event", "larch-04", points); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Replace(t.Context(), "event", "elm", []influx.Point{other}); err != nil {
		t.Fatal(err)
	}
	got := s.dump(t, "event")
	want := []string{
		"elm 0 ratio=0.97",
		"larch-04 0 kind=shower", "larch-04 0 ratio=0.95",
		"larch-04 70 ratio=0.97", "larch-04 90 ratio=0.97",
	}
	if !slices.Equal(got, want) {
		t.Errorf("events\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if err := db.Replace(t.Context(), "event", "larch-04", nil); err != nil {
		t.Fatal(err)
	}
	if got := s.dump(t, "event"); !slices.Equal(got, want[:1]) {
		t.Errorf("after replacing by nothing: %q", got)
	}
}

// dump returns what a database has of a measurement, read by InfluxQL as
// another program would: dwelling, seconds after day, field=value.
func (s *site) dump(t *testing.T, measurement string) []string {
	t.Helper()
	var out []string
	for _, series := range s.Select(t, s.bucket, fmt.Sprintf(`SELECT * FROM %q GROUP BY "dwelling"`, measurement)) {
		for _, row := range series.Values {
			for i, v := range row {
				if i > 0 && v != nil {
					out = append(out, fmt.Sprintf("%s %d %s=%v", series.Tags["dwelling"], (int64(row[0].(float64))-int64(day))/int64(second), series.Columns[i], v))
				}
			}
		}
	}
	slices.Sort(out)
	return out
}

func testErase(t *testing.T, s *site) {
	db := s.open(t)
	for _, d := range []string{"larch-04", "larch-05", "o'elm \"3\""} {
		at := reading(d, "n1", greywatt.Flow, day, 0.1)
		other := at
		other.Value = 0.2
		appendAll(t, db, []greywatt.Reading{at, other, reading(d, "n1", greywatt.Flow, day-900*24*3600*second, 1)}, ingest.Counts{New: 2, Conflict: 1})
		err := errors.Join(
			db.SetPresences(t.Context(), []ingest.Presence{{Dwelling: d, Node: "n1", Up: true, Since: day}}),
			db.AppendRejected(t.Context(), []ingest.RejectedRecord{
				{Source: "s", Dwelling: d, Reason: ingest.NoNumber, Record: d},
				{Source: "greywatt/" + d + "/n1/senml", Reason: ingest.BadPayload, Record: "{"},
			}),
			db.Replace(t.Context(), "event", d, []influx.Point{{"event", []influx.Tag{{"dwelling", d}}, day, []influx.Field{{"ratio", 1.0}}}}))
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, d := range []string{"larch-04", "o'elm \"3\"", "never there"} {
		if err := db.Erase(t.Context(), d); err != nil {
			t.Fatal(err)
		}
	}
	for _, m := range []string{"reading", "conflict", "set_aside", "presence", "event"} {
		n := 0
		for _, series := range s.Select(t, s.bucket, fmt.Sprintf("SELECT * FROM %q", m)) {
			text := fmt.Sprint(series)
			if strings.Contains(text, "larch-04") || strings.Contains(text, "elm") {
				t.Errorf("%s still has %s", m, text)
			}
			n += len(series.Values)
		}
		if n == 0 {
			t.Errorf("nothing left of the other dwelling in %s", m)
		}
	}
	// The index forgets them too: a series has its tags for a name.
	for _, statement := range []string{"SHOW SERIES", "SHOW TAG VALUES WITH KEY = dwelling"} {
		text := fmt.Sprint(s.Select(t, s.bucket, statement))
		if strings.Contains(text, "larch-04") || strings.Contains(text, "elm") || !strings.Contains(text, "larch-05") {
			t.Errorf("%s: %s", statement, text)
		}
	}
	ids, err := db.Dwellings(t.Context())
	if err != nil || !slices.Equal(ids, []string{"larch-05"}) {
		t.Errorf("dwellings %q, %v", ids, err)
	}
}

func testNoBucket(t *testing.T, s *site) {
	s.bucket = "nowhere"
	db := s.open(t)
	_, err := db.Append(t.Context(), []greywatt.Reading{reading("larch-04", "n1", greywatt.Flow, day, 1)})
	var answer *influx.Error
	if !errors.As(err, &answer) {
		t.Fatalf("append: %v, want an *Error", err)
	}
	if err := db.Ping(t.Context()); !errors.As(err, &answer) || answer.Class != influx.Setup || answer.Status != http.StatusNotFound || !strings.Contains(err.Error(), "nowhere") {
		t.Errorf("ping: %v, want that the bucket is missing", err)
	}
}
