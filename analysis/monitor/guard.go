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
// conductance or heat balance leaves the level it had. It is a sequential test and
// needs no access to the history. What the change is, [finding.Diagnose] says.
//
// Conductance is that of the events, against the certificate's at the same flows
// and temperatures. A healthy unit may still follow the season a little, as the
// temperature law and the clamps have errors: a deviation from the level counts only
// beyond what those may do between the temperatures of the level and the shower's.
//
// The level is the median of the first twenty showers after the start, a cleaning
// or an alarm. A unit that does better than its level gets a new one, without an
// alarm. After that a tabular CUSUM of each series sums what lies beyond half of
// the change worth an alarm. Its limit is set for one false alarm in 200 000
// showers of independent scatter, some two hundred years of a household. Season, a
// level from few showers and correlated scatter raise that rate; on simulated
// half-years and years it stays under one in ten years.
//
// The fields are the whole state and may be stored between showers.
type Guard struct {
	Method  int          // by which the level was learnt; a level of another is learnt again
	Learnt  int          // showers so far towards the level
	UA      []float64    // ln UA ratio of those
	Heat    []float64    // balance of those
	Ports   [][4]float64 // °C at the ports, of those
	Rating  []float64    // what the certificate leaves open at their flows, of those
	LevelC  [4]float64   // °C at the ports, medians, at which the level holds
	LevelU  float64      // median of Rating
	UASum   trend.CUSUM  // of ln UA
	HeatSum trend.CUSUM  // of the balance
	Last    greywatt.Instant
	Cleaned int // cleanings passed
	Broken  int // other work passed, after which figures may differ
}

// What is worth an alarm, and how it is watched for: this project's choice.
const (
	guardMethod     = 3    // 1 knew no temperatures, 2 no flows
	guardLearns     = 20   // showers
	guardShift      = 0.10 // of ln UA: the size of the default threshold for cleaning
	guardHeatShift  = 0.12 // of the balance: what a clamp half off its pipe does
	guardUA         = 0.012
	guardHeat       = 0.015
	guardMixedShift = 0.25 // the same in B and C, where the mixer and the season move the balance
	guardFalseEvery = 2e5  // showers
	guardShowers    = 3    // that an alarm takes at least, however far one of them lies
)

// An AlarmKind names what left its level.
type AlarmKind = string

// The kinds of alarm.
const (
	AlarmConductance AlarmKind = "conductance"  // of the unit, against the certificate's: dirt, a valve, a unit that slipped
	AlarmHeatBalance AlarmKind = "heat-balance" // drain heat over mains heat: a clamp or a meter rather than the unit
)

// An Alarm is one change that a [Guard] found.
type Alarm struct {
	Dwelling string
	At       greywatt.Instant // of the shower that raised it
	EventID  string
	Since    int // showers for which the level has been off
	What     AlarmKind
	Evidence string
}

// Add takes the dwelling's next event and returns the alarms it raises. Events
// that are no newer than the last one added, and those without a steady part,
// are skipped.
func (g *Guard) Add(study *greywatt.Study, dw *greywatt.Dwelling, e *event.Event) []Alarm {
	if e.Start <= g.Last || e.Kind == event.OtherDraw || len(e.Parts) == 0 {
		return nil
	}
	g.Last = e.Start
	if g.Method != guardMethod {
		g.Method = guardMethod
		g.restart()
	}
	for g.Cleaned < len(dw.Cleaned) && dw.Cleaned[g.Cleaned].In(study.Location()) <= e.Start {
		g.Cleaned++
		g.restart()
	}
	for g.Broken < len(dw.Breaks) && dw.Breaks[g.Broken].At <= e.Start {
		g.Broken++
		g.restart()
	}
	dw = dw.At(e.Start)
	ua, heat := math.Log(e.UARatio), finding.HeatBalance(dw, e)
	if math.IsInf(ua, 0) {
		ua = math.NaN()
	}
	if g.Learnt < guardLearns {
		g.learn(ua, heat, e, dw.Connection)
		return nil
	}
	var out []Alarm
	alarm := func(what AlarmKind, evidence string, run int) {
		out = append(out, Alarm{Dwelling: dw.ID, At: e.Start, EventID: e.ID, Since: run, What: what, Evidence: evidence})
	}
	better := false
	uaAllowed, heatAllowed := allowances(dw, g.LevelC, g.LevelU, e)
	switch g.UASum.Add(g.weighted(beyond(g.UASum.Target, uaAllowed, ua), e)) {
	case trend.Below:
		alarm(AlarmConductance, fmt.Sprintf("conductance has been below its level of %.2f of the certificate's for %d showers, now %.2f", math.Exp(g.UASum.Target), g.UASum.LoRun, e.UARatio), g.UASum.LoRun)
	case trend.Above:
		better = true
	}
	if side := g.HeatSum.Add(beyond(g.HeatSum.Target, heatAllowed, heat)); side != 0 {
		run := g.HeatSum.LoRun
		if side == trend.Above {
			run = g.HeatSum.HiRun
		}
		alarm(AlarmHeatBalance, fmt.Sprintf("drain heat over mains heat has been off its level by about %+.0f %% for %d showers: a clamp rather than the unit", 100*math.Expm1(heat-g.HeatSum.Target), run), run)
	}
	if len(out) > 0 || better {
		g.restart() // the new level is the one to watch from here
	}
	return out
}

// beyond moves y towards the level by what is allowed.
func beyond(level, allowed, y float64) float64 {
	off := y - level
	return level + math.Copysign(max(0, math.Abs(off)-allowed), off)
}

// weighted is ln UA moved towards the level by as much as the shower's own noise
// exceeds half of the allowance: half a minute of steady flow says little.
func (g *Guard) weighted(ua float64, e *event.Event) float64 {
	own := e.UARatioRandom / e.UARatio
	if !(own > g.UASum.K/2) {
		return ua
	}
	weight := g.UASum.K / 2 / own
	return g.UASum.Target + (ua-g.UASum.Target)*(weight*weight)
}

// restart forgets the level.
func (g *Guard) restart() {
	g.Learnt, g.UA, g.Heat, g.Ports, g.Rating = 0, nil, nil, nil, nil
}

// learn collects the level and sets the sums up when there is enough.
func (g *Guard) learn(ua, heat float64, e *event.Event, c greywatt.Connection) {
	if math.IsNaN(ua) || math.IsNaN(heat) || math.IsInf(heat, 0) {
		return
	}
	g.UA, g.Heat, g.Ports, g.Rating = append(g.UA, ua), append(g.Heat, heat), append(g.Ports, ports(e)), append(g.Rating, known(e.UARatingLnU))
	if g.Learnt++; g.Learnt < guardLearns {
		return
	}
	heatShift := guardHeatShift
	if c != greywatt.ConnectionA {
		heatShift = guardMixedShift
	}
	g.UASum = newSum(g.UA, guardUA, guardShift)
	g.HeatSum = newSum(g.Heat, guardHeat, heatShift)
	for k := range g.LevelC {
		var at []float64
		for _, t := range g.Ports {
			at = append(at, t[k])
		}
		g.LevelC[k] = robust.Median(at)
	}
	g.LevelU = robust.Median(g.Rating)
	g.UA, g.Heat, g.Ports, g.Rating = nil, nil, nil, nil
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
