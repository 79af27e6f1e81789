package event

import "slices"

// OmitBudgets makes the analyser leave the budgets out of the events to come:
// their rows are four fifths of a shower's memory. Such an event has none, so that [Commission] and [Summarise] are not for it; all else is
// the same, and so is what [Diagnose] says.
func (a *Analyser) OmitBudgets() { a.lean = true }

// omitBudgets takes the budgets out of an event. What the findings need of them,
// the uncertainty of each clamp, is the same for all events, and they share it.
func (a *Analyser) omitBudgets(e *Event) {
	of := e.Budgets.UA.Rows
	e.Budgets = Budgets{models: e.Budgets.models}
	if len(of) == 0 {
		return
	}
	of = of[:offsetRows]
	if !sameU(a.clamps, of) {
		a.clamps = slices.Clone(of)
	}
	e.Budgets.UA.Rows = a.clamps
}
