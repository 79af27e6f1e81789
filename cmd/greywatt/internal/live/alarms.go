package live

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"greywatt/analysis/monitor"
	"greywatt/plots/wording"
)

// alarmFor is how long an alarm makes a dwelling one that needs attention: this
// project's choice.
const alarmFor = 14 * 24 * time.Hour

// recentAlarm returns the newest alarm, unless it is old; nil where there is
// none.
func (p *past) recentAlarm(c clock) *monitor.Alarm {
	n := len(p.Alarms)
	if n == 0 || c.now.Sub(p.Alarms[n-1].At.Time()) > alarmFor {
		return nil
	}
	return &p.Alarms[n-1]
}

// listedAlarms is how many alarms of the guard a dwelling's page lists.
const listedAlarms = 3

type alarmsPart struct {
	Rows []alarmRow
	More *linkTo
}

type alarmRow struct{ Href, At, When, What, Evidence string }

func (d *dwelling) alarmsPart(c clock) alarmsPart {
	var part alarmsPart
	n := len(d.past.Alarms)
	part.Rows = d.alarmRows(c, listedAlarms)
	if n > listedAlarms {
		part.More = &linkTo{dwellingPath(d.ID) + "/alarms", "All " + count(n, "alarm")}
	}
	return part
}

// alarmRows returns the newest alarms, at most so many, the newest first. The
// caller holds d.mu.
func (d *dwelling) alarmRows(c clock, most int) (rows []alarmRow) {
	n := len(d.past.Alarms)
	for i := n - 1; i >= max(0, n-most); i-- {
		a := &d.past.Alarms[i]
		row := alarmRow{At: machine(a.At), When: c.short(a.At), What: wording.Capital(alarmWords(a.What)), Evidence: wording.Capital(strings.TrimSuffix(a.Evidence, "."))}
		if _, ok := d.past.Events.Find(a.EventID); ok {
			row.Href = eventPath(a.EventID)
		}
		rows = append(rows, row)
	}
	return rows
}

// mostAlarms is how many alarms the page of a dwelling's alarms lists.
const mostAlarms = 500

func (p *Page) allAlarms(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	data := struct {
		frame
		ID, Back, Words string
		Rows            []alarmRow
	}{frame: p.frame(r, "All alarms of "+d.ID), ID: d.ID, Back: dwellingPath(d.ID)}
	c := p.clock()
	d.mu.Lock()
	n, ready := len(d.past.Alarms), d.past.Ready
	data.Rows = d.alarmRows(c, mostAlarms)
	d.mu.Unlock()
	switch {
	case !ready:
		data.Words = "The history is being read. This page looks again in some seconds."
		data.Again = 5
	case n == 0:
		data.Words = "The guard has raised no alarm. It learns a level from the first showers and reports when conductance or heat balance leaves it."
	case n > mostAlarms:
		data.Words = fmt.Sprintf("The newest %d of %s.", mostAlarms, count(n, "alarm"))
	default:
		data.Words = wording.Capital(count(n, "alarm")) + ", the newest first. What the change is, the findings say."
	}
	return render(w, http.StatusOK, "allalarms", &data)
}

// alarmWords says what an alarm is of.
func alarmWords(what string) string {
	switch what {
	case "conductance":
		return "conductance left its level"
	case "heat-balance":
		return "heat balance left its level"
	}
	return wording.Plain(what)
}
