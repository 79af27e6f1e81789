package live

import (
	"strings"
	"testing"
	"time"
)

// How the mirror fares stands on the overview, in /healthz and in /metrics; a
// failure is on every page, and logging is healthy all the same.
func TestMirror(t *testing.T) {
	f := newFullPage(t, 1)
	if f.mirror() != "" || strings.Contains(f.page(t, "/", 200), "Mirror") || strings.Contains(f.get("/metrics").Body.String(), "mirror") {
		t.Error("a mirror is shown where there is none")
	}
	now := f.clock.at
	m := Mirror{Server: "influx+http://127.0.0.1:8086/study", Frames: 12345, Rejected: 2}
	f.cfg.Mirror = func() Mirror { return m }
	has(t, f.page(t, "/", 200), "Mirror influx&#43;http://127.0.0.1:8086/study: has everything; nothing written since the logger started; 2 readings rejected by the server and kept here")
	m.LastWrite, m.Waiting = now, 3
	has(t, f.page(t, "/", 200), "3 packs of readings on the way; last written")
	m.BehindSince, m.Waiting = now.Add(-time.Hour), 1204
	has(t, f.page(t, "/", 200), "behind since", "packs of readings to go")
	m.FailingSince, m.Trouble, m.Lasting = now, "token refused.", true
	has(t, f.page(t, "/rejected", 200), "The mirror is not written since", "token refused. What it lacks is on disk", "will not pass by itself")
	if w := f.get("/healthz"); w.Code != 200 || !strings.Contains(w.Body.String(), "ok\nthe mirror is not written since "+now.UTC().Format(time.RFC3339)) {
		t.Errorf("health %d: %s", w.Code, w.Body.String())
	}
	metrics := f.get("/metrics").Body.String()
	for _, want := range []string{"mirror_waiting_packs 1204", "mirror_failing 1", "mirror_frames_total 12345", "mirror_refused_total 2", "mirror_behind_seconds "} {
		if !strings.Contains(metrics, "\ngreywatt_"+want) {
			t.Errorf("no %s in /metrics", want)
		}
	}
}
