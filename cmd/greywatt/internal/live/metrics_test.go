package live

import (
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"greywatt/analysis/event"
	"greywatt/analysis/monitor"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
)

// Counters go on where the study is described anew.
func TestCountersSurviveARenewal(t *testing.T) {
	f := newFullPage(t, 2)
	f.Committed(readings(3, 1), 20*time.Millisecond)
	f.CountUpdate(watch.Update{Events: []event.Event{{Kind: event.Shower}}, Alarms: []monitor.Alarm{{What: "conductance"}}})
	f.feed.lost.Store(7)
	f.page(t, "/", 200)
	q := f.Renew(f.cfg.Study)
	t.Cleanup(q.stop)
	q.Committed(readings(3, 1), 20*time.Millisecond)
	q.CountUpdate(watch.Update{Events: []event.Event{{Kind: event.Shower}}})
	text := f.get("/metrics").Body.String()
	for _, want := range []string{
		"greywatt_commit_seconds_count 2", `greywatt_events_total{kind="shower"} 2`, `greywatt_alarms_total{what="conductance"} 1`,
		`greywatt_http_seconds_count{page="/{$}",status="200"} 1`, "greywatt_live_dropped_total 7",
	} {
		if !strings.Contains(text, "\n"+want+"\n") {
			t.Errorf("no %s in\n%s", want, text)
		}
	}
}

// The metrics have names of this program, pass the client library's lint, say
// what is so, and name no dwelling.
func TestMetrics(t *testing.T) {
	f := newFullPage(t, 2)
	f.ingest.Messages, f.ingest.New, f.ingest.Duplicates, f.ingest.Held = 7, 40, 3, 2
	f.ingest.Rejected = map[ingest.Reason]int64{ingest.BadUnit: 5}
	f.link.Reconnects, f.link.Clients = 4, 6
	f.link.Refused = map[string]int64{"accept-error": 3}
	f.Committed(readings(3, 1), 20*time.Millisecond)
	f.page(t, "/", 200)
	text := f.get("/metrics").Body.String()
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	for _, want := range []string{
		"greywatt_messages_total 7", `greywatt_readings_total{result="new"} 40`, `greywatt_readings_total{result="duplicate"} 3`,
		`greywatt_set_aside_total{reason="bad-unit"} 5`, "greywatt_queue_messages 2", "greywatt_reconnects_total 4", "greywatt_broker_connected 1",
		"greywatt_broker_clients 6", `greywatt_broker_refused_total{what="accept-error"} 3`, "greywatt_commit_seconds_count 1", `greywatt_commit_seconds_bucket{le="0.025"} 1`, "greywatt_commit_failing 0",
		`greywatt_analysis_seconds_count{of="whole"} 1`, `greywatt_events_total{kind="shower"} 0`, `greywatt_dwellings{state="never"} 1`,
		`greywatt_http_seconds_count{page="/{$}",status="200"} 1`, `greywatt_build_info{version="1.2.3"} 1`, "greywatt_viewers 0",
	} {
		if !strings.Contains(text, "\n"+want+"\n") {
			t.Errorf("no %s in\n%s", want, text)
		}
	}
	for line := range strings.Lines(text) {
		if name := strings.TrimPrefix(strings.TrimPrefix(line, "# HELP "), "# TYPE "); !strings.HasPrefix(name, "greywatt_") {
			t.Errorf("foreign name: %s", line)
		}
		if strings.Contains(line, f.d.ID) || strings.Contains(line, "larch-05") {
			t.Errorf("a dwelling is named: %s", line)
		}
	}
}
