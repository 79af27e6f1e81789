package monitor

import (
	"fmt"
	"math"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/robust"
	"greywatt/analysis/trend"
)

// A Guard watches one dwelling's showers as they come and raises an alarm when
// conductance or heat balance leaves the level it had: a sequential test, that
// needs no look at the history. What the change is, [Diagnose] says.
//
// The level is learnt from the first twenty showers after the start, a cleaning
// or an alarm, and anew where the unit does better than it: nobody is called for
// that. From then on a tabular CUSUM each sums what lies beyond half of
// the change worth an alarm. Its limit is set for one false alarm in 200 000
// showers of independent scatter, some two hundred years of a household; season,
// learning the level from few showers and scatter that hangs together make it
// more, and leave it under one in ten years (measured by a test on simulated
// years). Its fields are its whole state; they may be stored between showers.
type Guard struct {
	Learnt  int         // showers that the level is learnt from so far
	UA      []float64   // ln UA ratio of those
	Heat    []float64   // balance of those
	UASum   trend.CUSUM // of ln UA
	HeatSum trend.CUSUM // of the balance
	Last    greywatt.Instant
	Cleaned int // cleanings seen
}

// What is worth an alarm, and how it is watched for: this project's choice.
const (
	guardLearns     = 20
	guardShift      = 0.10 // of ln UA: the size of the default threshold for cleaning
	guardHeatShift  = 0.12 // of the balance: what a clamp half off its pipe does
	guardUA         = 0.012
	guardHeat       = 0.015
	guardMixedShift = 0.25 // the same in B and C, where the mixer and the season move the balance
	guardFalseEvery = 2e5  // showers
	guardShowers    = 3    // that an alarm takes at least, however wild one may be
)

// An AlarmKind names what left its level.
type AlarmKind = string

// The kinds of alarm.
const (
	AlarmConductance AlarmKind = "conductance"  // of the unit, against the certificate's: dirt, a valve, a unit that slipped
	AlarmHeatBalance AlarmKind = "heat-balance" // drain heat over mains heat: a clamp or a meter rather than the unit
)

// An Alarm is one thing that a [Guard] noticed.
type Alarm struct {
	Dwelling string
	At       greywatt.Instant // of the shower that raised it
	EventID  string
	Since    int // showers since which the level has been off
	What     AlarmKind
	Evidence string
}

// Add takes the dwelling's next event and returns the alarms it raises. Events
// that are no newer than the last one added, and those without a steady part,
// are passed over.
func (g *Guard) Add(study *greywatt.Study, dw *greywatt.Dwelling, e *event.Event) []Alarm {
	if e.Start <= g.Last || e.Kind == event.OtherDraw || len(e.Parts) == 0 {
		return nil
	}
	g.Last = e.Start
	for g.Cleaned < len(dw.Cleaned) && dw.Cleaned[g.Cleaned].In(study.Location()) <= e.Start {
		g.Cleaned++
		g.learnAnew()
	}
	ua, heat := math.Log(e.UARatio), finding.HeatBalance(dw, e)
	if math.IsInf(ua, 0) {
		ua = math.NaN()
	}
	if g.Learnt < guardLearns {
		g.learn(ua, heat, dw.Connection)
		return nil
	}
	var out []Alarm
	alarm := func(what AlarmKind, evidence string, run int) {
		out = append(out, Alarm{Dwelling: dw.ID, At: e.Start, EventID: e.ID, Since: run, What: what, Evidence: evidence})
	}
	better := false
	switch g.UASum.Add(g.telling(ua, e)) {
	case trend.Below:
		alarm(AlarmConductance, fmt.Sprintf("conductance has been below its level of %.2f of the certificate's for %d showers, now %.2f", math.Exp(g.UASum.Target), g.UASum.LoRun, e.UARatio), g.UASum.LoRun)
	case trend.Above:
		better = true
	}
	if side := g.HeatSum.Add(heat); side != 0 {
		run := g.HeatSum.LoRun
		if side == trend.Above {
			run = g.HeatSum.HiRun
		}
		alarm(AlarmHeatBalance, fmt.Sprintf("drain heat over mains heat has been off its level by about %+.0f %% for %d showers: a clamp rather than the unit", 100*math.Expm1(heat-g.HeatSum.Target), run), run)
	}
	if len(out) > 0 || better {
		g.learnAnew() // the new level is the one to watch from here
	}
	return out
}

// telling is ln UA drawn towards the level by as much as the shower's own noise
// exceeds what is watched for: half a minute of steady flow tells little.
func (g *Guard) telling(ua float64, e *event.Event) float64 {
	own := e.UARatioRandom / e.UARatio
	if !(own > g.UASum.K/2) {
		return ua
	}
	weight := g.UASum.K / 2 / own
	return g.UASum.Target + (ua-g.UASum.Target)*(weight*weight)
}

func (g *Guard) learnAnew() {
	g.Learnt, g.UA, g.Heat = 0, nil, nil
}

// learn collects the level and sets the sums up when there is enough.
func (g *Guard) learn(ua, heat float64, c greywatt.Connection) {
	if math.IsNaN(ua) || math.IsNaN(heat) || math.IsInf(heat, 0) {
		return
	}
	g.UA, g.Heat = append(g.UA, ua), append(g.Heat, heat)
	if g.Learnt++; g.Learnt < guardLearns {
		return
	}
	heatShift := guardHeatShift
	if c != greywatt.ConnectionA {
		heatShift = guardMixedShift
	}
	g.UASum = newSum(g.UA, guardUA, guardShift)
	g.HeatSum = newSum(g.Heat, guardHeat, heatShift)
	g.UA, g.Heat = nil, nil
}

// newSum designs a CUSUM about the median of the learnt values.
func newSum(learnt []float64, leastSD, shift float64) trend.CUSUM {
	center, sd := robust.MedianAndSpread(learnt)
	sd = max(sd, leastSD)
	c, err := trend.DesignCUSUM(center, sd, max(shift, 2*sd), guardFalseEvery)
	if err != nil {
		// no limit gives that rate: the widest that still answers
		c = trend.CUSUM{Target: center, K: shift / 2, H: 10 * sd}
	}
	c.Clip = c.K + 1.02*c.H/guardShowers
	return c
}
