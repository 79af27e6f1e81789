package finding

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/robust"
	"greywatt/analysis/trend"
)

// What people change about their showers from one day on, such as with another shower
// head or other people, is nobody's fault: the flow changes, and the effectiveness follows it. The
// comparison weighs each cause without such a change and with it. priorHabit is how often one is met in priorDays, habitSpread the standard
// deviation of its size, ln of the flow, leastHabit the least that counts beyond wander, and
// mostHabits how many of one record are told apart. All are this project's choice.
const (
	priorHabit  = 0.2
	habitSpread = 0.35
	leastHabit  = 0.1
	mostHabits  = 2
)

// A habitChange is a moment from which on showers draw another flow.
type habitChange struct {
	at   greywatt.Instant // of the first shower after it
	t    float64          // days
	size float64          // ln of the flow on the waste side
}

// habitChanges returns the clearest changes of the flow that people draw, in time order.
func (d *diagnoser) habitChanges(ss []shower) []habitChange {
	var ps []trend.Point
	var index []int
	for i := range ss {
		v := d.observe(&ss[i], ss[i].t)[seriesHabit]
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		ps = append(ps, trend.Point{T: ss[i].e.Start.Sub(d.first) / day, Y: v, U: 0.02})
		index = append(index, i)
	}
	cut, err := trend.Changes(ps, trend.ChangeOptions{})
	if err != nil {
		return nil // too few showers
	}
	changes := slices.DeleteFunc(cut.Changes, func(c trend.Change) bool {
		return math.Abs(c.Step) < leastHabit || math.Abs(c.Step) < 5*c.UStep
	})
	slices.SortStableFunc(changes, func(a, b trend.Change) int { return cmp.Compare(math.Abs(b.Step), math.Abs(a.Step)) })
	var out []habitChange
	for _, c := range changes[:min(len(changes), mostHabits)] {
		k := index[c.Index]
		before := k
		if c.Index > 0 {
			before = index[c.Index-1]
		}
		out = append(out, habitChange{
			at: ss[k].e.Start, size: c.Step,
			t: (ss[before].e.Start.Sub(d.first) + ss[k].e.Start.Sub(d.first)) / 2 / day,
		})
	}
	slices.SortStableFunc(out, func(a, b habitChange) int { return cmp.Compare(a.at, b.at) })
	return out
}

// habitColumns are what the changes may make of the data.
func (e *evidence) habitColumns(habits []habitChange) (columns [][]float64) {
	for _, h := range habits {
		columns = append(columns, e.whiten(func(k, j int) float64 {
			if k != seriesHabit || e.groups[j].t < h.t {
				return 0
			}
			return habitSpread
		}))
	}
	return columns
}

// habitWords says what people changed; empty where nothing.
func (d *diagnoser) habitWords(x *explanation) (words string) {
	if x == nil {
		return ""
	}
	for _, h := range x.habit {
		word := "more"
		if h.size < 0 {
			word = "less"
		}
		words += fmt.Sprintf("; from %s on the showers draw %.0f %% %s water, which is people's habit", d.date(h.at), 100*math.Abs(math.Expm1(h.size)), word)
	}
	return words
}

// best returns those of the showers, of one habit, of which the certificate leaves least
// open: the level is the same in all of them.
func (x *explanation) best(ss []shower) []shower {
	out, least := ss, math.Inf(1)
	from := 0
	for _, h := range append(slices.Clone(x.habit), habitChange{at: math.MaxInt64}) {
		to := from
		for to < len(ss) && ss[to].e.Start < h.at {
			to++
		}
		var u []float64
		for i := from; i < to; i++ {
			u = append(u, ss[i].uAll)
		}
		if m := robust.Median(u); len(u) >= enough && m < least {
			out, least = ss[from:to], m
		}
		from = to
	}
	return out
}
