package live

import (
	"fmt"
	"math"
	"sync"
	"time"

	"greywatt/analysis/cleaning"
	"greywatt/analysis/event"
	"greywatt/plots/wording"
)

// A cleaningPart says when to clean and what dirt costs.
type cleaningPart struct {
	None     string // why nothing can be said
	Class    string // of the verdict, for its look
	Verdict  string
	Figures  []figureOf
	Words    []string
	Cautions []string
	Note     string // address of the form that notes a cleaning; empty for who may not
}

// cleaningCautions belong to cleaning a unit: common practice of the trade.
var cleaningCautions = []string{
	"Wear gloves and eye protection, and ventilate the room.",
	"Never mix cleaning agents: some pairs, such as bleach and acid, give off poisonous gas.",
	"Use no acid on copper, and nothing that scratches the film surface.",
	"The waste side carries germs: wash hands, and keep brushes away from drinking water.",
	"A clean unit preheats more: check the mixer’s outlet for scald afterwards.",
	"Flush the preheated pipe if it has stood unused: legionella grows in lukewarm water.",
}

// assessments keeps what was said last of each dwelling, by the edition of its
// events.
type assessments struct {
	mu   sync.Mutex
	last map[string]assessed
}

type assessed struct {
	edition int64
	a       cleaning.Assessment
}

// assess says what a dwelling's trend says about dirt.
func (p *Page) assess(d *dwelling) (a cleaning.Assessment, ready bool) {
	d.mu.Lock()
	past := d.past
	d.mu.Unlock()
	if !past.Ready {
		return a, false
	}
	p.assessed.mu.Lock()
	defer p.assessed.mu.Unlock()
	if k, ok := p.assessed.last[d.ID]; ok && k.edition == past.Edition {
		return k.a, true
	}
	events := make([]event.Event, 0, past.Events.Len())
	for e := range past.Events.All() {
		events = append(events, *e)
	}
	a = cleaning.Assess(p.cfg.Study, d.Dwelling, events, past.Diagnosis, cleaning.DefaultThreshold)
	if p.assessed.last == nil {
		p.assessed.last = map[string]assessed{}
	}
	p.assessed.last[d.ID] = assessed{past.Edition, a}
	return a, true
}

// uncertainDue is the length of the interval of a due date from which its ends
// are said too: this project's choice.
const uncertainDue = 60 * 24 * time.Hour

func (p *Page) cleaningPart(d *dwelling, c clock) cleaningPart {
	a, ready := p.assess(d)
	if !ready {
		return cleaningPart{None: "The history is being read."}
	}
	part := cleaningPart{Class: "open", Cautions: cleaningCautions}
	switch a.Verdict {
	case cleaning.Now:
		part.Class, part.Verdict = "fault", "Clean now"
	case cleaning.By:
		part.Verdict = "Clean by " + c.date(a.Due)
		switch {
		case a.DueTo == 0:
			part.Words = append(part.Words, "The date is uncertain: not before "+c.date(a.DueFrom)+", perhaps not within two years.")
		case a.DueTo.Sub(a.DueFrom) > uncertainDue.Seconds():
			part.Words = append(part.Words, "The date is uncertain: between "+c.date(a.DueFrom)+" and "+c.date(a.DueTo)+".")
		}
	case cleaning.NotYet:
		part.Class, part.Verdict = "ok", "No cleaning needed yet"
	default:
		part.Verdict = "Cannot tell yet"
	}
	if !finite(a.Loss) {
		part.Words = append(part.Words, fmt.Sprintf("A trend takes %d showers with a steady part since the start, the last cleaning or the last sudden change.", cleaning.ModelShowers))
		return part
	}
	per := func(v, u95 float64, decimals int, unit string) string {
		return wording.WithUnit(plusMinus(v, u95, decimals), unit)
	}
	part.Figures = append(part.Figures, figureOf{Caption: "Effectiveness lost", Value: per(100*a.EffectivenessLoss, 100*a.EffectivenessLossU95, 1, "%")})
	if !a.Resolved {
		part.Words = append(part.Words, "The loss is not beyond its uncertainty.")
	}
	if finite(a.LossKWhWeek) && a.Resolved {
		part.Figures = append(part.Figures, figureOf{Caption: "Cost a week, heat", Value: per(a.LossKWhWeek, a.LossKWhWeekU95, 2, "kWh")})
		if finite(a.LossMoneyWeek) {
			part.Figures = append(part.Figures, figureOf{Caption: "Cost a week, money", Value: per(a.LossMoneyWeek, a.LossMoneyWeekU95, 2, a.Currency)})
		}
	}
	if finite(a.HeatKWhWeek) {
		part.Figures = append(part.Figures, figureOf{Caption: "Recovered a week", Value: wording.WithUnit(wording.Fixed(a.HeatKWhWeek, 1), "kWh")})
	}
	if a.Step != 0 {
		part.Words = append(part.Words, fmt.Sprintf("A sudden change of %s %% is kept apart: cleaning does not undo it.", wording.Signed(fmt.Sprintf("%+.1f", 100*math.Expm1(a.Step)))))
	}
	if a.Ended {
		part.Words = append(part.Words, "The trend ends before the last showers: see the findings.")
	}
	part.Words = append(part.Words, fmt.Sprintf("Cleaning is advised from a loss of %s %% of effectiveness on, this project’s choice.", wording.Fixed(100*a.Threshold, 0)))
	for i := range a.Gains {
		part.Words = append(part.Words, c.gainWords(&a.Gains[i]))
	}
	return part
}

// gainWords says what a cleaning brought.
func (c clock) gainWords(g *cleaning.Gain) string {
	on := "Cleaned on " + c.date(g.On.In(c.zone))
	switch {
	case g.MissingBefore > 0 || g.MissingAfter > 0:
		return fmt.Sprintf("%s: what it brought takes %s more to tell.", on, count(g.MissingBefore+g.MissingAfter, "shower"))
	case !finite(g.Gain):
		return on + "."
	}
	s := fmt.Sprintf("%s: conductance %s ± %s %%", on, wording.Signed(fmt.Sprintf("%+.1f", 100*g.Gain)), wording.Fixed(100*g.GainU95, 1))
	if finite(g.KWhWeek) {
		s += fmt.Sprintf(", %s ± %s kWh a week", wording.Fixed(g.KWhWeek, 2), wording.Fixed(g.KWhWeekU95, 2))
	}
	return s + "."
}
