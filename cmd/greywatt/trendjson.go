package main

import (
	"math"

	"greywatt/analysis"
)

// trendJSON is one dwelling's trend; its names end in their units.
type trendJSON struct {
	Dwelling  string        `json:"dwelling"`
	Verdict   string        `json:"verdict"`
	AsOf      *string       `json:"as_of"`
	Stretches []stretchJSON `json:"stretches"`

	CleanUARatio       known  `json:"clean_ua_ratio"`
	UARatio            known  `json:"ua_ratio"`
	Loss               known  `json:"loss"`
	LossU95            known  `json:"loss_u95"`
	Resolved           bool   `json:"resolved"`
	FlowLMin           known  `json:"flow_l_min"`
	WasteFlowLMin      known  `json:"waste_flow_l_min"`
	CleanEffectiveness known  `json:"clean_effectiveness"`
	Effectiveness      known  `json:"effectiveness"`
	EffLoss            known  `json:"effectiveness_loss"`
	EffLossU95         known  `json:"effectiveness_loss_u95"`
	HeatKWhWeek        known  `json:"heat_kwh_week"`
	LossKWhWeek        known  `json:"loss_kwh_week"`
	LossKWhWeekU95     known  `json:"loss_kwh_week_u95"`
	LossMoneyWeek      known  `json:"loss_money_week"`
	LossMoneyWeekU95   known  `json:"loss_money_week_u95"`
	Currency           string `json:"currency"`

	Threshold   known   `json:"threshold"`
	ThresholdUA known   `json:"threshold_ua_ratio"`
	Due         *string `json:"due"`
	DueFrom     *string `json:"due_from"`
	DueTo       *string `json:"due_to"`
	NeedShowers known   `json:"need_showers"`
	NeedDays    known   `json:"need_days"`

	Cleanings []gainJSON `json:"cleanings"`
}

type stretchJSON struct {
	From    string  `json:"from"`
	To      string  `json:"to"`
	Showers int     `json:"showers"`
	Jump    known   `json:"sudden_change"` // of conductance at its start, as a share; 0: none
	Model   *string `json:"model"`
	Why     *string `json:"why"`
}

type gainJSON struct {
	On            string `json:"on"`
	Gain          known  `json:"gain"`
	GainU95       known  `json:"gain_u95"`
	EffGain       known  `json:"effectiveness_gain"`
	EffGainU95    known  `json:"effectiveness_gain_u95"`
	KWhWeek       known  `json:"gain_kwh_week"`
	KWhWeekU95    known  `json:"gain_kwh_week_u95"`
	Before        int    `json:"showers_before"`
	After         int    `json:"showers_after"`
	MissingBefore int    `json:"showers_missing_before"`
	MissingAfter  int    `json:"showers_missing_after"`
}

func asTrendJSON(r *result, c *analysis.Cleaning) trendJSON {
	out := trendJSON{
		Dwelling: r.dwelling.ID, Verdict: string(c.Verdict), AsOf: knownInstant(c.AsOf), Stretches: []stretchJSON{},
		CleanUARatio: known(c.CleanUA), UARatio: known(c.UA), Loss: known(c.Loss), LossU95: known(c.LossU95), Resolved: c.Resolved,
		FlowLMin: known(c.FlowLMin), WasteFlowLMin: known(c.WasteFlowLMin),
		CleanEffectiveness: known(c.CleanEffectiveness), Effectiveness: known(c.Effectiveness),
		EffLoss: known(c.EffLoss), EffLossU95: known(c.EffLossU95),
		HeatKWhWeek: known(c.HeatKWhWeek), LossKWhWeek: known(c.LossKWhWeek), LossKWhWeekU95: known(c.LossKWhWeekU95),
		LossMoneyWeek: known(c.LossMoneyWeek), LossMoneyWeekU95: known(c.LossMoneyWeekU95), Currency: c.Currency,
		Threshold: known(c.Threshold), ThresholdUA: known(c.ThresholdUA),
		Due: knownInstant(c.Due), DueFrom: knownInstant(c.DueFrom), DueTo: knownInstant(c.DueTo),
		NeedShowers: known(c.Need.Points), NeedDays: known(c.Need.Days), Cleanings: []gainJSON{},
	}
	for _, s := range r.diagnosis.Stretches {
		row := stretchJSON{From: s.From.String(), To: s.To.String(), Showers: s.Showers, Jump: known(math.Expm1(s.Jump))}
		if s.Fitted {
			row.Model, row.Why = knownText(s.Model.Kind.String()), knownText(s.Model.Why)
		}
		out.Stretches = append(out.Stretches, row)
	}
	for _, g := range c.Gains {
		out.Cleanings = append(out.Cleanings, gainJSON{
			g.On.String(), known(g.Gain), known(g.GainU95), known(g.EffGain), known(g.EffGainU95), known(g.KWhWeek), known(g.KWhWeekU95),
			g.Before, g.After, g.MissingBefore, g.MissingAfter,
		})
	}
	return out
}
