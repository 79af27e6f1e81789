package plots

import (
	"math"
	"time"

	"greywatt"
)

// A tick is a labelled place on an axis.
type tick struct {
	at    float64 // in the axis's unit
	label string
}

// An axis maps [lo, hi] to [from, to] in px.
type axis struct{ lo, hi, from, to float64 }

func (a axis) px(v float64) float64 { return a.from + (v-a.lo)/(a.hi-a.lo)*(a.to-a.from) }

// on returns the axis between two places.
func (a axis) on(from, to float64) axis {
	a.from, a.to = from, to
	return a
}

// numberTicks returns ticks at whole multiples of 1, 2 or 5 times a power of
// ten that lie in [lo, hi], about want of them and two at least: one alone shows
// no scale.
func numberTicks(lo, hi float64, want int) []tick {
	step := niceStep((hi - lo) / float64(max(want, 1)))
	ts := ticksEvery(step, lo, hi)
	for range 3 {
		if len(ts) >= 2 || !(hi > lo) {
			break
		}
		step = niceStep(step / 2.6) // the next smaller
		ts = ticksEvery(step, lo, hi)
	}
	return ts
}

func ticksEvery(step, lo, hi float64) []tick {
	decimals := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	var ts []tick
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		ts = append(ts, tick{i * step, fixed(i*step, decimals)})
	}
	return ts
}

// niceStep returns the smallest of 1, 2, 5 times a power of ten not below s.
func niceStep(s float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(s)))
	for _, m := range []float64{1, 2, 5} {
		if s <= m*p*(1+1e-9) {
			return m * p
		}
	}
	return 10 * p
}

// clockSteps are the spacings of ticks within a day, in s.
var clockSteps = []int64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600}

// clockTicks returns at most n ticks, n at least 1, at whole steps of the local clock. Places
// are seconds after from.
func clockTicks(from, to greywatt.Instant, loc *time.Location, n int) []tick {
	a, b := from.Time(), to.Time()
	n = max(n, 1)
	_, offset := a.In(loc).Zone()
	fits := func(step int64) bool { return (b.Unix()-a.Unix())/step+1 <= int64(n) }
	i := 0
	for i < len(clockSteps)-1 && !fits(clockSteps[i]) {
		i++
	}
	step := clockSteps[i]
	for !fits(step) {
		step *= 2
	}
	format := "15:04"
	if step < 60 {
		format = "15:04:05"
	}
	local := a.Unix() + int64(offset)
	first := local + (step-local%step)%step - int64(offset)
	if greywatt.InstantOf(time.Unix(first, 0)) < from {
		first += step
	}
	var ts []tick
	for u := first; ; u += step {
		at := greywatt.InstantOf(time.Unix(u, 0))
		if at > to {
			return ts
		}
		ts = append(ts, tick{at.Sub(from), time.Unix(u, 0).In(loc).Format(format)})
	}
}

// A dateStep is a spacing of ticks over days: one of the three is set.
type dateStep struct{ days, months, years int }

var dateSteps = []dateStep{
	{days: 1}, {days: 2}, {days: 3}, {days: 7}, {days: 14},
	{months: 1}, {months: 2}, {months: 3}, {months: 6},
	{years: 1}, {years: 2}, {years: 5}, {years: 10},
}

// dateTicks returns at most n ticks at local midnights: days, Mondays, firsts
// of months or of years. Places are seconds after from.
func dateTicks(from, to greywatt.Instant, loc *time.Location, n int) []tick {
	var ts []tick
	for _, s := range dateSteps {
		if ts = s.ticks(from, to, loc, n); len(ts) <= n {
			break
		}
	}
	return ts
}

// ticks returns the ticks of one spacing, no more than n+1.
func (s dateStep) ticks(from, to greywatt.Instant, loc *time.Location, n int) []tick {
	y, m, d := from.Time().In(loc).Date()
	format := "2 Jan"
	switch {
	case s.years > 0:
		y, m, d, format = y-y%s.years, 1, 1, "2006"
	case s.months > 0:
		m, d, format = m-(m-1)%time.Month(s.months), 1, "Jan"
	case s.days >= 7:
		d -= (int(time.Date(y, m, d, 0, 0, 0, 0, loc).Weekday()) + 6) % 7
	}
	var ts []tick
	for len(ts) <= n {
		day := time.Date(y, m, d, 0, 0, 0, 0, loc)
		at := greywatt.InstantOf(day)
		if at > to {
			break
		}
		if at >= from {
			f := format
			if s.months > 0 && (len(ts) == 0 || day.Month() == time.January) {
				f = "Jan 2006"
			}
			ts = append(ts, tick{at.Sub(from), day.Format(f)})
		}
		y, m, d = y+s.years, m+time.Month(s.months), d+s.days
	}
	return ts
}
