package main

import (
	"math"

	"greywatt/analysis/cleaning"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
)

// trendJSON is one dwelling's trend; its names end in their units.
type trendJSON struct {
	Dwelling  string        `json:"dwelling"`  // its id
	Verdict   string        `json:"verdict"`   // see [verdicts on cleaning](#verdicts-on-cleaning)
	AsOf      *string       `json:"as_of"`     // start of the last shower; null: none
	Stretches []stretchJSON `json:"stretches"` // between cleanings and sudden changes

	CleanUARatio       cli.Known `json:"clean_ua_ratio"`         // conductance over the rated, as it was clean
	UARatio            cli.Known `json:"ua_ratio"`               // the same now
	Loss               cli.Known `json:"loss"`                   // share of the clean conductance that is lost
	LossU95            cli.Known `json:"loss_u95"`               // its expanded uncertainty
	Resolved           bool      `json:"resolved"`               // the loss is distinguished from none
	FlowLMin           cli.Known `json:"flow_l_min"`             // usual mains flow, for which the figures below are
	WasteFlowLMin      cli.Known `json:"waste_flow_l_min"`       // usual flow of the waste side
	CleanEffectiveness cli.Known `json:"clean_effectiveness"`    // at those flows
	Effectiveness      cli.Known `json:"effectiveness"`          // the same now
	EffLoss            cli.Known `json:"effectiveness_loss"`     // share of the clean effectiveness that is lost
	EffLossU95         cli.Known `json:"effectiveness_loss_u95"` // its expanded uncertainty
	HeatKWhWeek        cli.Known `json:"heat_kwh_week"`          // gained now
	LossKWhWeek        cli.Known `json:"loss_kwh_week"`          // lost to fouling
	LossKWhWeekU95     cli.Known `json:"loss_kwh_week_u95"`      // its expanded uncertainty
	LossMoneyWeek      cli.Known `json:"loss_money_week"`        // what the heater takes for that
	LossMoneyWeekU95   cli.Known `json:"loss_money_week_u95"`    // its expanded uncertainty
	Currency           string    `json:"currency"`               // of the study file

	Threshold   cli.Known `json:"threshold"`          // loss of effectiveness at which cleaning is advised
	ThresholdUA cli.Known `json:"threshold_ua_ratio"` // conductance at which it is reached
	Due         *string   `json:"due"`                // when it is expected to be; null: not in sight
	DueFrom     *string   `json:"due_from"`           // first day of the 95 % interval
	DueTo       *string   `json:"due_to"`             // its last day
	NeedShowers cli.Known `json:"need_showers"`       // more showers until that can be said
	NeedDays    cli.Known `json:"need_days"`          // days that they will take

	Cleanings []gainJSON `json:"cleanings"` // what each has brought
}

type stretchJSON struct {
	From    string    `json:"from"`          // first shower
	To      string    `json:"to"`            // last shower
	Showers int       `json:"showers"`       // with a conductance
	Jump    cli.Known `json:"sudden_change"` // of conductance at its start, as a share; 0: none
	Model   *string   `json:"model"`         // of the trend in it; null: too few showers
	Why     *string   `json:"why"`           // why that model
}

type gainJSON struct {
	On            string    `json:"on"`                     // day of the cleaning
	Gain          cli.Known `json:"gain"`                   // of conductance, as a share
	GainU95       cli.Known `json:"gain_u95"`               // its expanded uncertainty
	EffGain       cli.Known `json:"effectiveness_gain"`     // of effectiveness, as a share
	EffGainU95    cli.Known `json:"effectiveness_gain_u95"` // its expanded uncertainty
	KWhWeek       cli.Known `json:"gain_kwh_week"`          // heat
	KWhWeekU95    cli.Known `json:"gain_kwh_week_u95"`      // its expanded uncertainty
	Before        int       `json:"showers_before"`         // compared
	After         int       `json:"showers_after"`          // compared
	MissingBefore int       `json:"showers_missing_before"` // that are lacking for a comparison
	MissingAfter  int       `json:"showers_missing_after"`  // likewise
}

func asTrendJSON(r *site.Result, c *cleaning.Assessment) trendJSON {
	out := trendJSON{
		Dwelling: r.Dwelling.ID, Verdict: string(c.Verdict), AsOf: cli.KnownInstant(c.AsOf), Stretches: []stretchJSON{},
		CleanUARatio: cli.Known(c.CleanUA), UARatio: cli.Known(c.UA), Loss: cli.Known(c.Loss), LossU95: cli.Known(c.LossU95), Resolved: c.Resolved,
		FlowLMin: cli.Known(c.FlowLMin), WasteFlowLMin: cli.Known(c.WasteFlowLMin),
		CleanEffectiveness: cli.Known(c.CleanEffectiveness), Effectiveness: cli.Known(c.Effectiveness),
		EffLoss: cli.Known(c.EffectivenessLoss), EffLossU95: cli.Known(c.EffectivenessLossU95),
		HeatKWhWeek: cli.Known(c.HeatKWhWeek), LossKWhWeek: cli.Known(c.LossKWhWeek), LossKWhWeekU95: cli.Known(c.LossKWhWeekU95),
		LossMoneyWeek: cli.Known(c.LossMoneyWeek), LossMoneyWeekU95: cli.Known(c.LossMoneyWeekU95), Currency: c.Currency,
		Threshold: cli.Known(c.Threshold), ThresholdUA: cli.Known(c.ThresholdUA),
		Due: cli.KnownInstant(c.Due), DueFrom: cli.KnownInstant(c.DueFrom), DueTo: cli.KnownInstant(c.DueTo),
		NeedShowers: cli.Known(c.Need.Points), NeedDays: cli.Known(c.Need.Days), Cleanings: []gainJSON{},
	}
	for _, s := range r.Diagnosis.Segments {
		row := stretchJSON{From: s.From.String(), To: s.To.String(), Showers: s.Showers, Jump: cli.Known(math.Expm1(s.Jump))}
		if s.Fitted {
			row.Model, row.Why = cli.KnownText(s.Model.Kind.String()), cli.KnownText(s.Model.Why)
		}
		out.Stretches = append(out.Stretches, row)
	}
	for _, g := range c.Gains {
		out.Cleanings = append(out.Cleanings, gainJSON{
			g.On.String(), cli.Known(g.Gain), cli.Known(g.GainU95), cli.Known(g.EffectivenessGain), cli.Known(g.EffectivenessGainU95), cli.Known(g.KWhWeek), cli.Known(g.KWhWeekU95),
			g.Before, g.After, g.MissingBefore, g.MissingAfter,
		})
	}
	return out
}
