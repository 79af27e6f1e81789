package event

import (
	"slices"

	"greywatt/analysis/uncert"
)

// OmitBudgets makes the analyser leave the budgets out of the events to come:
// their rows are four fifths of a shower's memory. Such an event has none, so that [Commission] and [Summarise] are not for it; all else is
// the same, and so is what [Diagnose] says.
func (a *Analyser) OmitBudgets() { a.lean = true }

// omitBudgets takes the budgets out of an event. What the findings need of them,
// the uncertainty of each clamp, is the same for all events, and they share it.
func (a *Analyser) omitBudgets(e *Event) {
	of, had := e.Budgets.UA.Rows, e.Budgets
	e.Budgets = Budgets{models: had.models}
	if a.contributions {
		for i, b := range had.summed() {
			*e.Budgets.summed()[i] = contributionsOf(b)
		}
	}
	if len(of) == 0 {
		return
	}
	of = of[:offsetRows]
	if !sameU(a.clamps, of) {
		a.clamps = slices.Clone(of)
	}
	e.Budgets.UA.Rows = a.clamps
}

// KeepContributions has the events keep what sums over them need of their budgets:
// each input's name and contribution to effectiveness, ratio and heat. It is for
// after OmitBudgets.
func (a *Analyser) KeepContributions() { a.contributions = true }

// summed are the budgets that sums over events need.
func (b *Budgets) summed() [3]*uncert.Budget {
	return [3]*uncert.Budget{&b.Effectiveness, &b.Ratio, &b.Heat}
}

// contributionsOf returns a budget with nothing of its rows but names and
// contributions.
func contributionsOf(b *uncert.Budget) (out uncert.Budget) {
	if len(b.Rows) > 0 {
		out.Rows = make([]uncert.Row, len(b.Rows))
	}
	for i, r := range b.Rows {
		out.Rows[i] = uncert.Row{Name: r.Name, Contribution: r.Contribution}
	}
	return out
}
