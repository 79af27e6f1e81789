package live

import (
	"fmt"
	"strings"
	"time"

	"greywatt/analysis/monitor"
	"greywatt/plots/wording"
)

// alarmFor is how long an alarm makes a dwelling one that wants a look: this
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
	More string
}

type alarmRow struct{ Href, At, When, What, Evidence string }

func (d *dwelling) alarmsPart(c clock) alarmsPart {
	var part alarmsPart
	n := len(d.past.Alarms)
	for i := n - 1; i >= max(0, n-listedAlarms); i-- {
		a := &d.past.Alarms[i]
		row := alarmRow{At: machine(a.At), When: c.short(a.At), What: wording.Capital(alarmWords(a.What)), Evidence: wording.Capital(strings.TrimSuffix(a.Evidence, "."))}
		if _, ok := d.past.Events.Find(a.EventID); ok {
			row.Href = eventPath(a.EventID)
		}
		part.Rows = append(part.Rows, row)
	}
	if n > listedAlarms {
		part.More = fmt.Sprintf("%s came before; greywatt alarms lists them.", wording.Capital(count(n-listedAlarms, "alarm")))
	}
	return part
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
