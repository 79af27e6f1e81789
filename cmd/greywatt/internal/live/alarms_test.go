package live

import (
	"fmt"
	"strings"
	"testing"

	"greywatt/analysis/finding"
	"greywatt/analysis/monitor"
)

// An alarm of the guard makes its dwelling one that needs attention for two weeks,
// and stands on the dwelling's page with the shower that raised it.
func TestAlarms(t *testing.T) {
	f := newFullPage(t, 5)
	f.d.past.Diagnosis.Findings = []finding.Finding{{Code: finding.Healthy, Confidence: 0.9}}
	shower := f.d.past.Latest
	if text := f.page(t, "/dwelling/"+f.d.ID, 200); strings.Contains(text, "Alarm") {
		t.Error("alarms are shown where there is none")
	}
	for i := range 5 {
		f.d.past.Alarms = append(f.d.past.Alarms, monitor.Alarm{At: shower.Start, EventID: shower.ID, What: "conductance", Evidence: fmt.Sprintf("alarm %d.", i)})
	}
	f.d.past.Alarms[4].What = "heat-balance"
	r := f.d.row(f.Page.clock())
	if want := "Alarm " + f.Page.clock().short(shower.Start) + ": heat balance left its level"; r.Alarm != want || !r.Wants || r.Fault {
		t.Errorf("row %+v, want %q", r, want)
	}
	has(t, f.page(t, "/", 200), "1 needs attention", r.Alarm)
	text := f.page(t, "/dwelling/"+f.d.ID, 200)
	has(t, text, "Alarms of the guard", "Heat balance left its level", "Alarm 4.", "Alarm 2.", "All 5 alarms")
	has(t, f.page(t, "/dwelling/"+f.d.ID+"/alarms", 200), "5 alarms, the newest first", "Alarm 0.", "Alarm 4.")
	if strings.Contains(text, "Alarm 1.") || !strings.Contains(text, `<li><p><span class="alarm"><span class="mark" aria-hidden="true"></span>Heat balance left its level</span> <a href="/event/`+shower.ID) {
		t.Error("more alarms than the newest three, or none with its shower")
	}
	f.clock.set(shower.Start.Add(alarmFor.Seconds() + 1))
	if r := f.d.row(f.Page.clock()); r.Alarm != "" {
		t.Errorf("after two weeks: %q", r.Alarm)
	}
}
