package mqttsource

import (
	"fmt"
	"math"
	"strings"

	"greywatt"
)

// A Clock is what is known of a node's clock from when its packs arrive: for
// each hour in which some did, by how much the newest time in a pack was at
// least behind the pack's arrival. Packs that were held back are late, and as
// late as can be; the least of an hour is of one that was not. It says nothing
// of single readings.
type Clock struct {
	Dwelling string      `json:"-"`
	Node     string      `json:"node"`
	Hours    []ClockHour `json:"hours"` // ascending, the last perhaps not over; at most clockHours
}

// A ClockHour sums up the packs that arrived in one hour of the logger's clock.
type ClockHour struct {
	Hour    int64   `json:"hour"`            // since 1970
	Packs   int     `json:"packs"`           // with a time in them
	BehindS float64 `json:"behind_s"`        // s, arrival less the newest time of the pack, least of all; negative: ahead
	Ahead   int     `json:"ahead,omitempty"` // packs that were ahead by more than clockTolerance
	Unset   int     `json:"unset,omitempty"` // of those, with a time so small that it is taken as relative to now
}

// What is held against a clock; choices of this project.
const (
	clockHours     = 24
	clockTolerance = 60.0               // s; a pack under way is late by less, and none is early
	aheadPacks     = 3                  // before a clock is called ahead
	behindHours    = 3                  // that agree within clockTolerance, before it is called behind
	driftTolerance = 5.0                // s a day
	mostDrift      = 1000.0             // s a day; what moves faster is a buffer that empties
	driftHours     = 12                 // least number of hours for a drift
	noTime         = 20 * 365 * 86400.0 // s; further ahead or behind is no setting of a clock
)

// A ClockFault is what is wrong with a clock.
type ClockFault struct {
	OffsetS   float64          // s, what the clock shows less what it should; NaN where it shows no time
	DriftSDay float64          // s a day that OffsetS grows by; NaN where not resolved
	Since     greywatt.Instant // arrival of the first packs that show it, of those remembered
	What      string           // for people
}

// note takes one pack into account.
func (c *Clock) note(arrival greywatt.Instant, behind float64, relative bool) {
	hour := int64(arrival) / 3600e6
	if n := len(c.Hours); n == 0 || c.Hours[n-1].Hour != hour {
		if n == clockHours {
			copy(c.Hours, c.Hours[1:])
			c.Hours = c.Hours[:n-1]
		}
		c.Hours = append(c.Hours, ClockHour{Hour: hour, BehindS: math.Inf(1)})
	}
	h := &c.Hours[len(c.Hours)-1]
	h.Packs++
	h.BehindS = min(h.BehindS, behind)
	if behind < -clockTolerance {
		h.Ahead++
		if relative {
			h.Unset++
		}
	}
}

// Fault says what is wrong with the clock, nil where nothing is known to be.
// That packs come late, months late even, is no fault: only that none of them,
// over some hours, comes in time.
func (c *Clock) Fault() *ClockFault {
	n := len(c.Hours)
	if n == 0 {
		return nil
	}
	f := &ClockFault{OffsetS: -c.Hours[n-1].BehindS, DriftSDay: c.drift()}
	switch {
	case c.ahead():
		f.Since = c.since(func(h ClockHour) bool { return h.Ahead > 0 })
	case c.behind():
		f.Since = c.since(func(h ClockHour) bool { return h.BehindS > clockTolerance })
	case math.Abs(f.DriftSDay) >= driftTolerance:
		f.Since = greywatt.Instant(c.Hours[0].Hour * 3600e6)
	default:
		return nil
	}
	f.What = f.describe(c.Hours[n-1].Unset > 0)
	return f
}

// ahead reports whether some packs up to the last hour came before their time.
func (c *Clock) ahead() bool {
	packs := 0
	for i := len(c.Hours) - 1; i >= 0 && c.Hours[i].Ahead > 0; i-- {
		packs += c.Hours[i].Ahead
	}
	return packs >= aheadPacks
}

// behind reports whether the last hours agree that even the promptest pack is
// late. Of a node that catches up with what it held back they do not: its packs
// get less late from hour to hour.
func (c *Clock) behind() bool {
	if last := c.Hours[len(c.Hours)-1]; last.BehindS > noTime { // no buffer is so old
		return true
	}
	if len(c.Hours) < behindHours {
		return false
	}
	least, most := math.Inf(1), math.Inf(-1)
	for _, h := range c.Hours[len(c.Hours)-behindHours:] {
		least, most = min(least, h.BehindS), max(most, h.BehindS)
	}
	return least > clockTolerance && most-least <= clockTolerance
}

// since returns the beginning of the hours up to the last that are so.
func (c *Clock) since(is func(ClockHour) bool) greywatt.Instant {
	i := len(c.Hours) - 1
	for i > 0 && is(c.Hours[i-1]) {
		i--
	}
	return greywatt.Instant(c.Hours[i].Hour * 3600e6)
}

// drift fits a line to the hours and returns its slope as the growth of the
// clock's offset in s a day; NaN where hours are few or do not lie on a line.
func (c *Clock) drift() float64 {
	n := float64(len(c.Hours))
	if n < driftHours {
		return math.NaN()
	}
	var mx, my, sxx, sxy, syy float64
	for _, h := range c.Hours {
		mx += float64(h.Hour) / 24 / n
		my -= h.BehindS / n
	}
	for _, h := range c.Hours {
		dx, dy := float64(h.Hour)/24-mx, -h.BehindS-my
		sxx, sxy, syy = sxx+dx*dx, sxy+dx*dy, syy+dy*dy
	}
	slope := sxy / sxx
	spread := math.Sqrt(max(0, syy-slope*sxy) / (n - 2)) // of the hours about the line
	if spread > 5 || math.Abs(slope) > mostDrift || math.Abs(slope) < 4*spread/math.Sqrt(sxx) {
		return math.NaN()
	}
	return slope
}

func (f *ClockFault) describe(unset bool) string {
	switch zone := math.Round(f.OffsetS / 900); {
	case unset || f.OffsetS < -noTime:
		f.OffsetS, f.DriftSDay = math.NaN(), math.NaN()
		return "was never set: it counts from its start, or from a date of its own"
	case f.OffsetS > noTime:
		f.OffsetS, f.DriftSDay = math.NaN(), math.NaN()
		return "shows no time: are its stamps in milliseconds? seconds are wanted"
	case math.Abs(f.OffsetS) > clockTolerance && zone != 0 && math.Abs(zone) <= 14*4 && math.Abs(f.OffsetS-900*zone) <= clockTolerance:
		f.OffsetS = 900 * zone
		return fmt.Sprintf("is %s: local time in place of UTC?", f.how())
	case f.OffsetS < -clockTolerance:
		return fmt.Sprintf("is %s, or the node never catches up with what it holds back", f.how())
	case f.OffsetS > clockTolerance:
		return "is " + f.how()
	}
	return fmt.Sprintf("drifts by %+.0f s a day", f.DriftSDay)
}

func (f *ClockFault) how() string {
	direction := "ahead"
	if f.OffsetS < 0 {
		direction = "behind"
	}
	text := inWords(math.Abs(math.Round(f.OffsetS))) + " " + direction
	if math.Abs(f.DriftSDay) >= driftTolerance {
		text += fmt.Sprintf(" and drifts by %+.0f s a day", f.DriftSDay)
	}
	return text
}

// inWords writes whole seconds as in "1 h", "2 h 5 min", "95 s".
func inWords(s float64) string {
	if s < 120 {
		return fmt.Sprintf("%.0f s", s)
	}
	var parts []string
	for _, unit := range []struct {
		s    float64
		name string
	}{{86400, "d"}, {3600, "h"}, {60, "min"}, {1, "s"}} {
		if n := math.Floor(s / unit.s); n > 0 {
			parts = append(parts, fmt.Sprintf("%.0f %s", n, unit.name))
			s -= n * unit.s
		}
	}
	return strings.Join(parts, " ")
}
