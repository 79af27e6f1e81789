package intake

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest"
)

// A wrong zone gives one kind: five told, a hundred kept, the others in one
// record with their number, and all of them in the file.
func TestRefusalsByKind(t *testing.T) {
	var told, all bytes.Buffer
	r, err := NewRefusals(&told, &all)
	if err != nil {
		t.Fatal(err)
	}
	kept := 0
	const lines = 21_244
	for i := range lines {
		keep, err := r.Take([]ingest.RejectedRecord{{Source: fmt.Sprintf("a.csv:%d", i+2), Reason: ingest.BadTime,
			Detail: fmt.Sprintf("time: %q is not RFC 3339", fmt.Sprintf("2026-01-12 06:%02d:%02d", i/60%60, i%60)), Record: fmt.Sprint(i)}})
		if err != nil {
			t.Fatal(err)
		}
		kept += len(keep)
	}
	keep, err := r.Take([]ingest.RejectedRecord{{Source: "a.csv:9", Reason: ingest.NoNumber, Detail: `T1: "x" is not a number`}})
	if err != nil || len(keep) != 1 {
		t.Errorf("another kind: %d kept, %v", len(keep), err)
	}
	stand := r.EndFile()
	if kept != 100 || len(stand) != 1 || stand[0].More+1 != lines-100 || stand[0].Source != "a.csv" || stand[0].Reason != ingest.BadTime {
		t.Errorf("%d kept, and in their place %+v", kept, stand)
	}
	if len(r.EndFile()) != 0 {
		t.Error("what stands for the others comes twice")
	}
	if err := r.Summarise(); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(told.String(), "\n"); n != 7 || !strings.Contains(told.String(), "21244 records in all: bad-time") {
		t.Errorf("%d lines told:\n%s", n, told.String())
	}
	if n := strings.Count(all.String(), "\n"); n != lines+2 || r.N != lines+1 {
		t.Errorf("%d lines in the file of %d records", n, r.N)
	}
}

func TestChannels(t *testing.T) {
	c := NewChannels()
	var rs []greywatt.Reading
	add := func(i int, channel greywatt.Channel, v float64) {
		rs = append(rs, greywatt.Reading{Dwelling: "larch-04", Node: "n1", Channel: channel, At: greywatt.Instant(i+1) * 2e6, Value: v})
	}
	for i := range 200 {
		flow := 0.0
		if i >= 100 && i < 150 {
			flow = 0.12
		}
		cold, pre := 11+0.01*float64(i), 12.0
		if flow > 0 {
			pre = 24
		}
		add(i, greywatt.ColdIn, pre) // the two are swapped
		add(i, greywatt.PreheatOut, cold)
		add(i, greywatt.WasteIn, 38) // frozen
		if i%10 == 5 {
			add(i, greywatt.WasteOut, 60)
		} else {
			add(i, greywatt.WasteOut, 25)
		}
		add(i, greywatt.Flow, flow)
	}
	for len(rs) > 0 { // in pieces that part an instant
		n := min(len(rs), 13)
		c.Take(rs[:n])
		rs = rs[n:]
	}
	all := c.Summary()
	if len(all) != 5 {
		t.Fatalf("%d channels", len(all))
	}
	for _, s := range all {
		if s.Readings != 200 || s.AtRest != 0.75 || s.InDraws != 0.25 || math.Abs(s.IntervalS-2) > 1e-9 || s.Span() != "7 min" {
			t.Errorf("%+v", s)
		}
		want := map[greywatt.Channel]string{
			greywatt.PreheatOut: "colder than cold-in while water runs", greywatt.WasteIn: "never moves", greywatt.WasteOut: "40 jumps of more than 10 K",
		}[s.Channel]
		if got := strings.Join(s.Suspicious, "; "); got != want {
			t.Errorf("%s is suspicious: %q, want %q", s.Channel, got, want)
		}
	}
}

func TestSuspiciousFlow(t *testing.T) {
	for name, tt := range map[string]struct {
		value, everyS float64
		want          string
	}{
		"l/min taken for l/s": {4.9, 1, "293 l/min while water runs: is the unit right?"},
		"nothing":             {0, 1, "no water ran"},
		"every minute":        {0.1, 60, "every 60 s in draws; a shower wants 10 s at most"},
	} {
		c := NewChannels()
		for i := range 100 {
			v := tt.value
			if i%2 == 0 {
				v *= 0.99
			}
			c.Take([]greywatt.Reading{{Dwelling: "d", Node: "n", Channel: greywatt.Flow, At: greywatt.Instant(float64(i)*tt.everyS*1e6 + 1), Value: v}})
		}
		if got := strings.Join(c.Summary()[0].Suspicious, "; "); got != tt.want {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
}
