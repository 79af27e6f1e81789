//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

// sendPack publishes one reading that a node's clock stamps with at.
func sendPack(t *testing.T, n *publish.Node, at time.Time) {
	t.Helper()
	n.Readings = append(n.Readings[:0], greywatt.Reading{
		Dwelling: n.Topic.Dwelling, Node: n.Topic.Node, Channel: greywatt.ColdIn, At: greywatt.InstantOf(at), Value: 9,
	})
	if err := n.Publish(); err != nil {
		t.Fatal(err)
	}
	if err := n.AwaitOldest(); err != nil {
		t.Fatal(err)
	}
}

// A clock that is an hour ahead is told of by the logger, listed after it, and
// set right, for a second data folder, by the command that the list names.
func TestClockAnHourAhead(t *testing.T) {
	dir := t.TempDir()
	data, corrected := filepath.Join(dir, "data"), filepath.Join(dir, "corrected")
	if out := invoke(t, cli.ExitDone, "import", "--study", filesStudy, "--data", data, "--dwelling", "larch-04", "testdata/files/good.csv"); !strings.Contains(out, "new") {
		t.Fatal(out)
	}
	if out := invoke(t, cli.ExitDone, "clocks", "--data", data); !strings.Contains(out, "nothing is known") {
		t.Errorf("of files only: %s", out)
	}

	p := startProgram(t, "run", "--study", filesStudy, "--data", data, "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0")
	url, next := p.hear(t, `msg=listening broker=(\S+)`, 0)
	page, _ := p.hear(t, `msg=page url=(\S+)`, next)
	nodes := map[string]*publish.Node{}
	for _, name := range []string{"early", "right"} {
		n, err := publish.Connect(url, payload.Topic{Dwelling: "larch-04", Node: name}, payload.DefaultPrefix)
		if err != nil {
			t.Fatal(err)
		}
		defer n.Client.Disconnect(0)
		nodes[name] = n
	}
	began := time.Now()
	for i := range 3 {
		sendPack(t, nodes["early"], began.Add(time.Hour+time.Duration(i)*time.Second))
		sendPack(t, nodes["right"], began.Add(time.Duration(i)*time.Millisecond))
	}
	p.hear(t, `the node's clock is 1 h ahead.* node=early`, next)
	onPage := func(page string) {
		t.Helper()
		awaitPage(t, page+"/dwelling/larch-04", "The clock of early is 1 h ahead: local time in place of UTC?")
		awaitPage(t, page, "The clock is wrong at larch-04/early, and so")
	}
	onPage(page)
	p.stop(t)
	watched, _ := startWatch(t, "--study", filesStudy, "--data", data)
	onPage(watched)

	list := invoke(t, cli.ExitDone, "clocks", "--data", data)
	if !strings.Contains(list, "early") || !strings.Contains(list, "1 h ahead: local time in place of UTC?") || strings.Contains(list, "right ") {
		t.Errorf("the list is\n%s", list)
	}
	if all := invoke(t, cli.ExitDone, "clocks", "--data", data, "--all"); !regexp.MustCompile(`right +\S+ +-?0\.\d +is right`).MatchString(all) {
		t.Errorf("the whole list is\n%s", all)
	}
	var fault struct {
		Node    string
		OffsetS float64 `json:"offset_s"`
	}
	if text := invoke(t, cli.ExitDone, "clocks", "--data", data, "--json"); json.Unmarshal([]byte(text), &fault) != nil || fault.Node != "early" || fault.OffsetS != 3600 {
		t.Errorf("as JSON: %s", text)
	}

	// As the list says.
	said := regexp.MustCompile(`dump --data \S+ --format senml \| .*--shift (\S+) -\n`).FindStringSubmatch(list)
	if said == nil {
		t.Fatalf("no command in\n%s", list)
	}
	dump := invoke(t, cli.ExitDone, "dump", "--data", data, "--format", "senml")
	var out bytes.Buffer
	if code := run(t.Context(), []string{"import", "--study", filesStudy, "--data", corrected, "--format", "senml", "--shift", said[1], "-"},
		&cli.Console{In: strings.NewReader(dump), Out: &out, Err: &out, Getenv: func(string) string { return "" }, Name: "greywatt"}); code != cli.ExitDone {
		t.Fatalf("exit code %d: %s", code, out.String())
	}
	for i, dir := range []string{data, corrected} {
		summaries := stored(t, dir)
		for _, s := range summaries {
			ahead := s.First.Time().Sub(began).Round(time.Minute)
			want := map[string]time.Duration{"early": time.Duration(1-i) * time.Hour, "right": 0}
			if w, ok := want[s.Node]; ok && (ahead != w || s.Readings != 3) {
				t.Errorf("%s: %s has %d readings from %s on, want 3 from %s on", dir, s.Node, s.Readings, ahead, w)
			}
		}
		if len(summaries) != 3 {
			t.Errorf("%s: %d nodes, want the file's and two", dir, len(summaries))
		}
	}
}

// When every node is off by the same time, it is the logger that is.
func TestOwnClock(t *testing.T) {
	data := t.TempDir()
	st, err := store.Open(data, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var nodes []string
	for i := range 3 {
		nodes = append(nodes, fmt.Sprintf(`{"node":"n%d","hours":[{"hour":490000,"packs":9,"behind_s":-600.%d,"ahead":9}]}`, i, i))
	}
	if err := st.SetNote(t.Context(), "larch-04", logger.ClocksNote, []byte("["+strings.Join(nodes, ",")+"]")); err != nil {
		t.Fatal(err)
	}
	st.Close()
	if out := invoke(t, cli.ExitDone, "clocks", "--data", data); !strings.Contains(out, "this machine's clock") || strings.Contains(out, "--shift") {
		t.Errorf("all nodes ten minutes ahead:\n%s", out)
	}
}

func TestParseShift(t *testing.T) {
	for text, ok := range map[string]bool{
		"larch-04/n1=-3600": true, "larch-04/n1=0.5": true, "larch-04/n1=-3600@2026-03-29T01:00:00Z": true, "larch-04/n1=60@2026-03-29T01:00:00+02:00": true,
		"": false, "n1=60": false, "larch-04/=60": false, "/n1=60": false, "larch-04/n1": false, "larch-04/n1=": false, "larch-04/n1=1h": false,
		"larch-04/n1=NaN": false, "larch-04/n1=1e300": false, "larch-04/n1=60@": false, "larch-04/n1=60@noon": false,
	} {
		if _, err := parseShift(text); (err == nil) != ok {
			t.Errorf("%q: %v, want ok = %v", text, err, ok)
		}
	}
	s, err := parseShift("larch-04/n1=-3600@1970-01-01T00:00:10Z")
	if err != nil {
		t.Fatal(err)
	}
	rs := []greywatt.Reading{
		{Dwelling: "larch-04", Node: "n1", At: 9_999_999}, {Dwelling: "larch-04", Node: "n1", At: 10_000_000},
		{Dwelling: "larch-04", Node: "n2", At: 10_000_000}, {Dwelling: "oak", Node: "n1", At: 10_000_000},
	}
	moveTimes([]shift{s}, rs)
	for i, want := range []greywatt.Instant{9_999_999, 10_000_000 - 3600e6, 10_000_000, 10_000_000} {
		if rs[i].At != want {
			t.Errorf("%+v, want it at %d", rs[i], want)
		}
	}
}

// A clock that is off by a year is put right to the second.
func TestClockFiguresAreWhole(t *testing.T) {
	const year = 365*86400 + 7
	c := mqttsource.Clock{Dwelling: "larch-04", Node: "n1", Hours: []mqttsource.ClockHour{{Hour: 490000, Packs: 9, BehindS: -year, Ahead: 9}}}
	text, err := json.Marshal(asClockJSON(logger.Judge([]mqttsource.Clock{c})[0]))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{fmt.Sprintf(`"offset_s":%d`, year), fmt.Sprintf(`"behind_s":-%d`, year)} {
		if !strings.Contains(string(text), want) {
			t.Errorf("%s has no %s", text, want)
		}
	}
}
