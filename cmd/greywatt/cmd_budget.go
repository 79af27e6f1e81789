package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt/analysis/event"
	"greywatt/analysis/uncert"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

type budgetOptions struct {
	site.Flags
	trials int
	json   bool
}

func budgetCommand() cli.Command {
	return cli.Command{
		Name:     "budget",
		Example:  "greywatt budget larch-04-20260112T073000Z --study study.toml --data data",
		Operands: "EVENT_ID",
		Summary:  "show what the uncertainty of one event's figures is made of",
		About: `
Writes the three uncertainty budgets of one event, of its heat, its
effectiveness and its ratio to the expected value, after JCGM 100: each input
with its standard uncertainty u, the figure's sensitivity to it, their product,
and its share of the variance. Inputs that do not matter are left out.

--monte-carlo propagates distributions through the same models (JCGM 101, inputs
normal) and shows both: where they differ, the figure is not linear in its
inputs.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &budgetOptions{},
	}
}

func (o *budgetOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	flags.IntVar(&o.trials, "monte-carlo", 0, "also propagate distributions in `N` trials, 1000 or more")
	flags.BoolVar(&o.json, "json", false, "write JSON instead of tables")
}

func (o *budgetOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("name one event, as greywatt events lists it")
	}
	if o.trials != 0 && (o.trials < 1000 || o.trials > 1e7) {
		return cli.Usagef("--monte-carlo %d: want 1000 to 10000000", o.trials)
	}
	if _, _, err := site.SplitEventID(args[0]); err != nil {
		return err
	}
	s, err := o.Open(con, nil)
	if err != nil {
		return err
	}
	defer s.Close()
	event, _, err := site.TraceEvent(ctx, con, s.Readings, s.Study, args[0])
	if err != nil {
		return err
	}
	budgets, err := o.budgets(&event)
	if err != nil {
		return err
	}
	if o.json {
		return cli.WriteJSONLine(con.Out, asBudgetJSON(&event, budgets))
	}
	return writeBudgets(con.Out, &event, budgets, s.Study.Timezone)
}

// A figureBudget is one figure with its budget, in the unit it is shown in.
type figureBudget struct {
	name, unit string
	key        string // in JSON
	value, u   float64
	decimals   int
	rows       []uncert.Row // those that matter, the greatest share first
	left       []string     // the inputs that do not
	trials     int          // of the Monte Carlo; 0: none
	drawn      float64      // standard uncertainty by it
	lo, hi     float64      // its 95 % interval
}

// budgets returns those that the event has.
func (o *budgetOptions) budgets(e *event.Event) ([]figureBudget, error) {
	heat, effectiveness, ratio := e.Budgets.Heat, e.Budgets.Effectiveness, e.Budgets.Ratio
	models, _ := e.Models()
	const joules = 3.6e6 // a kWh
	var out []figureBudget
	for _, f := range []struct {
		name, key, unit string
		decimals        int
		scale           float64
		budget          uncert.Budget
		model           uncert.Model
	}{
		{"Heat", "heat_kwh", "kWh", 3, joules, heat, models.Heat},
		{"Effectiveness", "effectiveness", "", 4, 1, effectiveness, models.Effectiveness},
		{"Ratio, measured / expected", "ratio", "", 4, 1, ratio, models.Ratio},
	} {
		if len(f.budget.Rows) == 0 {
			continue
		}
		if f.budget.U95()/f.scale < 0.001 {
			f.decimals++
		}
		b := figureBudget{name: f.name, unit: f.unit, key: f.key, value: f.budget.Value / f.scale, u: f.budget.U / f.scale, decimals: f.decimals}
		for _, r := range f.budget.Rows {
			if math.Abs(r.Share) < 5e-4 {
				b.left = append(b.left, r.Name)
				continue
			}
			r.Sensitivity, r.Contribution = r.Sensitivity/f.scale, r.Contribution/f.scale
			b.rows = append(b.rows, r)
		}
		slices.SortStableFunc(b.rows, func(a, b uncert.Row) int { return cmp.Compare(b.Share, a.Share) })
		if o.trials > 0 {
			d, err := f.model.MonteCarlo(o.trials, 1)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", f.key, err)
			}
			b.trials, b.drawn = o.trials, d.U/f.scale
			b.lo, b.hi = d.Symmetric(0.95)
			b.lo, b.hi = b.lo/f.scale, b.hi/f.scale
		}
		out = append(out, b)
	}
	return out, nil
}

func writeBudgets(w io.Writer, e *event.Event, budgets []figureBudget, zone *time.Location) error {
	var text strings.Builder
	fmt.Fprintf(&text, "%s, %s of %s, %s min\n", e.ID, e.Kind, e.Start.Time().In(zone).Format("2 January 2006, 15:04 MST"), cli.Minutes(e.DurationS))
	if len(budgets) == 0 {
		fmt.Fprintf(&text, "It has no figure with an uncertainty: %s.\n", flagsText(e))
	}
	for i := range budgets {
		text.WriteString("\n")
		budgets[i].write(&text, e)
	}
	if len(budgets) > 0 && len(budgets) < 3 {
		fmt.Fprintf(&text, "\nIt has no effectiveness: %s.\n", flagsText(e))
	}
	_, err := io.WriteString(w, text.String())
	return err
}

func flagsText(e *event.Event) string {
	if len(e.Flags) == 0 {
		return "nothing says why"
	}
	words := make([]string, len(e.Flags))
	for i, f := range e.Flags {
		words[i] = string(f)
	}
	return strings.Join(words, ", ")
}

func (b *figureBudget) write(w io.Writer, e *event.Event) {
	per := func(v float64, unit string) string {
		switch {
		case unit == "1" && b.unit == "":
			return fmt.Sprintf("%.4f", v)
		case unit == "1":
			return fmt.Sprintf("%.4f %s", v, b.unit)
		case b.unit == "":
			return fmt.Sprintf("%.4f /%s", v, unit)
		}
		return fmt.Sprintf("%.4f %s/%s", v, b.unit, unit)
	}
	withUnit := func(s string) string { return strings.TrimSpace(s + " " + b.unit) }
	fmt.Fprintf(w, "%s: %s (k = 2)\n", b.name, withUnit(cli.WithU95(b.value, 2*b.u, b.decimals)))
	table := cli.NewTable("INPUT", ">ESTIMATE", ">u", ">SENSITIVITY", ">CONTRIBUTION", ">SHARE")
	for _, r := range b.rows {
		note := e.Input(r.Name)
		table.Add(r.Name, inputValue(note), inputU(r.U, note.Unit), per(r.Sensitivity, note.Unit),
			fmt.Sprintf("%+.5f", r.Contribution), fmt.Sprintf("%.1f %%", 100*r.Share))
	}
	table.Add("combined", "", "", "", fmt.Sprintf("%.5f", b.u), "100 %")
	table.Write(w)
	if len(b.left) > 0 {
		left := wording.Count(len(b.left), "input") + " below 0.05 % of the variance: " + strings.Join(b.left, ", ")
		fmt.Fprintln(w, cli.Wrap(left, cli.TextWidth, "  "))
	}
	if b.trials > 0 {
		fmt.Fprintf(w, "Monte Carlo, %d trials: u %.5f (%+.1f %%), 95 %% of them from %.*f to %.*f\n",
			b.trials, b.drawn, 100*(b.drawn/b.u-1), b.decimals, b.lo, b.decimals, b.hi)
	}
}

// inputValue writes the estimate that an input belongs to.
func inputValue(n event.InputNote) string {
	switch {
	case math.IsNaN(n.Value):
		return ""
	case n.Of == "1":
		return fmt.Sprintf("%.3f", n.Value)
	}
	return fmt.Sprintf("%.2f %s", n.Value, n.Of)
}

// inputU writes the standard uncertainty of an input; relative ones in percent.
func inputU(u float64, unit string) string {
	if unit == "1" {
		return fmt.Sprintf("%.2f %%", 100*u)
	}
	return fmt.Sprintf("%.4f %s", u, unit)
}

type budgetJSON struct {
	EventID string        `json:"event_id"` // of the event
	Budgets []figuresJSON `json:"budgets"`  // of each figure that has one
}

type figuresJSON struct {
	Figure     string          `json:"figure"`                // its column in `events.csv`
	Value      cli.Known       `json:"value"`                 // as there
	U          cli.Known       `json:"u"`                     // its standard uncertainty
	U95        cli.Known       `json:"u95"`                   // expanded, k = 2
	Rows       []budgetRowJSON `json:"rows"`                  // inputs
	MonteCarlo *monteCarloJSON `json:"monte_carlo,omitempty"` // with `--monte-carlo`
}

type budgetRowJSON struct {
	Input        string    `json:"input"`                   // see [inputs](#inputs-of-a-budget)
	Estimate     cli.Known `json:"estimate"`                // of the input
	EstimateUnit string    `json:"estimate_unit,omitempty"` // of that
	U            cli.Known `json:"u"`                       // the input's standard uncertainty
	UUnit        string    `json:"u_unit"`                  // of that
	Sensitivity  cli.Known `json:"sensitivity"`             // of the figure to the input
	Contribution cli.Known `json:"contribution"`            // sensitivity times u
	Share        cli.Known `json:"share"`                   // of the variance
}

type monteCarloJSON struct {
	Trials int       `json:"trials"` // drawn
	U      cli.Known `json:"u"`      // their standard deviation
	Lo95   cli.Known `json:"lo95"`   // 2.5 % of them are below
	Hi95   cli.Known `json:"hi95"`   // 97.5 % are
}

func asBudgetJSON(e *event.Event, budgets []figureBudget) budgetJSON {
	out := budgetJSON{EventID: e.ID, Budgets: []figuresJSON{}}
	for _, b := range budgets {
		f := figuresJSON{Figure: b.key, Value: cli.Known(b.value), U: cli.Known(b.u), U95: cli.Known(2 * b.u), Rows: []budgetRowJSON{}}
		for _, r := range b.rows {
			n := e.Input(r.Name)
			f.Rows = append(f.Rows, budgetRowJSON{r.Name, cli.Known(n.Value), n.Of, cli.Known(r.U), n.Unit, cli.Known(r.Sensitivity), cli.Known(r.Contribution), cli.Known(r.Share)})
		}
		if b.trials > 0 {
			f.MonteCarlo = &monteCarloJSON{b.trials, cli.Known(b.drawn), cli.Known(b.lo), cli.Known(b.hi)}
		}
		out.Budgets = append(out.Budgets, f)
	}
	return out
}
