package main

import (
	"math"

	"greywatt/analysis/cleaning"
)

// trendJSON is one dwelling's trend; its names end in their units.
type trendJSON struct {
	Dwelling  string        `json:"dwelling"`  // its id
	Verdict   string        `json:"verdict"`   // see [verdicts on cleaning](#verdicts-on-cleaning)
	AsOf      *string       `json:"as_of"`     // start of the last shower; null: none
	Stretches []stretchJSON `json:"stretches"` // between cleanings and sudden changes

	CleanUARatio       known  `json:"clean_ua_ratio"`         // conductance over the rated, as it was clean
	UARatio            known  `json:"ua_ratio"`               // the same now
	Loss               known  `json:"loss"`                   // share of the clean conductance that is lost
	LossU95            known  `json:"loss_u95"`               // its expanded uncertainty
	Resolved           bool   `json:"resolved"`               // the loss is told apart from none
	FlowLMin           known  `json:"flow_l_min"`             // usual mains flow, for which the figures below are
	WasteFlowLMin      known  `json:"waste_flow_l_min"`       // usual drain flow
	CleanEffectiveness known  `json:"clean_effectiveness"`    // at those flows
	Effectiveness      known  `json:"effectiveness"`          // the same now
	EffLoss            known  `json:"effectiveness_loss"`     // share of the clean effectiveness that is lost
	EffLossU95         known  `json:"effectiveness_loss_u95"` // its expanded uncertainty
	HeatKWhWeek        known  `json:"heat_kwh_week"`          // gained now
	LossKWhWeek        known  `json:"loss_kwh_week"`          // lost to fouling
	LossKWhWeekU95     known  `json:"loss_kwh_week_u95"`      // its expanded uncertainty
	LossMoneyWeek      known  `json:"loss_money_week"`        // what the heater takes for that
	LossMoneyWeekU95   known  `json:"loss_money_week_u95"`    // its expanded uncertainty
	Currency           string `json:"currency"`               // of the study file

	Threshold   known   `json:"threshold"`          // loss of effectiveness at which cleaning is advised
	ThresholdUA known   `json:"threshold_ua_ratio"` // conductance at which it is reached
	Due         *string `json:"due"`                // when it is expected to be; null: not in sight
	DueFrom     *string `json:"due_from"`           // first day of the 95 % interval
	DueTo       *string `json:"due_to"`             // its last day
	NeedShowers known   `json:"need_showers"`       // more showers until that can be said
	NeedDays    known   `json:"need_days"`          // days that they will take

	Cleanings []gainJSON `json:"cleanings"` // what each has brought
}

type stretchJSON struct {
	From    string  `json:"from"`          // first shower
	To      string  `json:"to"`            // last shower
	Showers int     `json:"showers"`       // with a conductance
	Jump    known   `json:"sudden_change"` // of conductance at its start, as a share; 0: none
	Model   *string `json:"model"`         // of the trend in it; null: too few showers
	Why     *string `json:"why"`           // why that model
}

type gainJSON struct {
	On            string `json:"on"`                     // day of the cleaning
	Gain          known  `json:"gain"`                   // of conductance, as a share
	GainU95       known  `json:"gain_u95"`               // its expanded uncertainty
	EffGain       known  `json:"effectiveness_gain"`     // of effectiveness, as a share
	EffGainU95    known  `json:"effectiveness_gain_u95"` // its expanded uncertainty
	KWhWeek       known  `json:"gain_kwh_week"`          // heat
	KWhWeekU95    known  `json:"gain_kwh_week_u95"`      // its expanded uncertainty
	Before        int    `json:"showers_before"`         // compared
	After         int    `json:"showers_after"`          // compared
	MissingBefore int    `json:"showers_missing_before"` // that are lacking for a comparison
	MissingAfter  int    `json:"showers_missing_after"`  // likewise
}

func asTrendJSON(r *result, c *cleaning.Assessment) trendJSON {
	out := trendJSON{
		Dwelling: r.dwelling.ID, Verdict: string(c.Verdict), AsOf: knownInstant(c.AsOf), Stretches: []stretchJSON{},
		CleanUARatio: known(c.CleanUA), UARatio: known(c.UA), Loss: known(c.Loss), LossU95: known(c.LossU95), Resolved: c.Resolved,
		FlowLMin: known(c.FlowLMin), WasteFlowLMin: known(c.WasteFlowLMin),
		CleanEffectiveness: known(c.CleanEffectiveness), Effectiveness: known(c.Effectiveness),
		EffLoss: known(c.EffectivenessLoss), EffLossU95: known(c.EffectivenessLossU95),
		HeatKWhWeek: known(c.HeatKWhWeek), LossKWhWeek: known(c.LossKWhWeek), LossKWhWeekU95: known(c.LossKWhWeekU95),
		LossMoneyWeek: known(c.LossMoneyWeek), LossMoneyWeekU95: known(c.LossMoneyWeekU95), Currency: c.Currency,
		Threshold: known(c.Threshold), ThresholdUA: known(c.ThresholdUA),
		Due: knownInstant(c.Due), DueFrom: knownInstant(c.DueFrom), DueTo: knownInstant(c.DueTo),
		NeedShowers: known(c.Need.Points), NeedDays: known(c.Need.Days), Cleanings: []gainJSON{},
	}
	for _, s := range r.diagnosis.Segments {
		row := stretchJSON{From: s.From.String(), To: s.To.String(), Showers: s.Showers, Jump: known(math.Expm1(s.Jump))}
		if s.Fitted {
			row.Model, row.Why = knownText(s.Model.Kind.String()), knownText(s.Model.Why)
		}
		out.Stretches = append(out.Stretches, row)
	}
	for _, g := range c.Gains {
		out.Cleanings = append(out.Cleanings, gainJSON{
			g.On.String(), known(g.Gain), known(g.GainU95), known(g.EffectivenessGain), known(g.EffectivenessGainU95), known(g.KWhWeek), known(g.KWhWeekU95),
			g.Before, g.After, g.MissingBefore, g.MissingAfter,
		})
	}
	return out
}
