package main

import (
	"io"
	"math"

	"greywatt/analysis"
)

// sumJSON is a row of summary in JSON.
type sumJSON struct {
	Dwelling   *string `json:"dwelling"` // null: the study
	Connection *string `json:"connection"`
	Month      *string `json:"month"` // null: all of the data
	Dwellings  int     `json:"dwellings,omitempty"`

	Showers    int            `json:"showers"`
	OtherDraws int            `json:"other_draws"`
	Partial    int            `json:"partial"`
	Used       int            `json:"used"`
	Rejected   map[string]int `json:"rejected"`

	Effectiveness any   `json:"effectiveness"`
	Expected      known `json:"expected"`
	Ratio         any   `json:"ratio"`

	HeatKWh      known       `json:"heat_kwh"`
	HeatU95KWh   known       `json:"heat_u95_kwh"`
	HeatEvents   int         `json:"heat_events"`
	HeatLeftOut  int         `json:"heat_left_out"`
	FuelKWh      known       `json:"fuel_kwh"`
	FuelU95KWh   known       `json:"fuel_u95_kwh"`
	CarbonKg     known       `json:"carbon_kg"`
	CarbonU95Kg  known       `json:"carbon_u95_kg"`
	Money        []moneyJSON `json:"money"`
	Completeness known       `json:"completeness"`
	Gaps         []gapJSON   `json:"gaps,omitempty"`
}

type moneyJSON struct {
	Currency string `json:"currency"`
	Saved    known  `json:"saved"`
	U95      known  `json:"u95"`
}

type gapJSON struct {
	From     string   `json:"from"`
	To       string   `json:"to"`
	Channels []string `json:"channels"`
}

// estimateJSON is a median over the events of one dwelling.
type estimateJSON struct {
	Median        known          `json:"median"`
	U95           known          `json:"u95"`
	RandomLo      known          `json:"random_lo"`
	RandomHi      known          `json:"random_hi"`
	SystematicU95 known          `json:"systematic_u95"`
	Systematic    []systemicJSON `json:"systematic"`
}

type systemicJSON struct {
	Input string `json:"input"`
	U95   known  `json:"u95"`
}

// spreadJSON is a median over dwellings.
type spreadJSON struct {
	Dwellings   int   `json:"dwellings"`
	Median      known `json:"median"`
	U95         known `json:"u95"`
	MethodU95   known `json:"method_u95"`
	LikeTheseLo known `json:"like_these_lo"`
	LikeTheseHi known `json:"like_these_hi"`
	Min         known `json:"min"`
	Q1          known `json:"q1"`
	Q3          known `json:"q3"`
	Max         known `json:"max"`
}

func (s *studySums) writeJSON(w io.Writer) error {
	at := 0 // of the dwelling
	for _, r := range s.rows() {
		line := asSumJSON(r.tally)
		line.Month, line.Completeness = knownText(r.month.String()), known(r.complete)
		if d := r.dwelling; d != nil {
			line.Dwelling, line.Connection = knownText(d.Dwelling), knownText(d.Connection.String())
			line.Effectiveness, line.Expected, line.Ratio = asEstimateJSON(&d.Effectiveness), known(d.Expected), asEstimateJSON(&d.Ratio)
			if d.Month == (analysis.Month{}) {
				line.Gaps = asGapsJSON(&s.coverage[at])
				at++
			}
		} else {
			line.Dwellings, line.Expected = r.study.Dwellings, known(math.NaN())
			line.Effectiveness, line.Ratio = asSpreadJSON(&r.study.Effectiveness), asSpreadJSON(&r.study.Ratio)
		}
		if err := writeJSONLine(w, line); err != nil {
			return err
		}
	}
	return nil
}

func asSumJSON(t *analysis.Tally) sumJSON {
	line := sumJSON{
		Showers: t.Showers, OtherDraws: t.OtherDraws, Partial: t.Partial, Used: t.Used, Rejected: map[string]int{},
		HeatKWh: known(t.HeatKWh), HeatU95KWh: known(t.HeatU95KWh), HeatEvents: t.HeatEvents, HeatLeftOut: t.HeatLeftOut,
		FuelKWh: known(t.FuelKWh), FuelU95KWh: known(t.FuelU95KWh),
		CarbonKg: known(t.CarbonKg), CarbonU95Kg: known(t.CarbonU95), Money: []moneyJSON{},
	}
	for _, r := range t.Rejected {
		line.Rejected[string(r.Reason)] = r.Events
	}
	for _, m := range t.Money {
		line.Money = append(line.Money, moneyJSON{m.Currency, known(m.Saved), known(m.U95)})
	}
	return line
}

func asEstimateJSON(e *analysis.Estimate) estimateJSON {
	out := estimateJSON{
		Median: known(e.Median), U95: known(e.U95), RandomLo: known(e.Lo), RandomHi: known(e.Hi),
		SystematicU95: known(e.SystematicU95), Systematic: []systemicJSON{},
	}
	for _, s := range e.Systematic {
		out.Systematic = append(out.Systematic, systemicJSON{s.Input, known(2 * math.Abs(s.Shift))})
	}
	return out
}

func asSpreadJSON(s *analysis.Spread) spreadJSON {
	return spreadJSON{
		Dwellings: s.Dwellings, Median: known(s.Median), U95: known(s.U95), MethodU95: known(s.MethodU95),
		LikeTheseLo: known(s.Lo), LikeTheseHi: known(s.Hi), Min: known(s.Min), Q1: known(s.Q1), Q3: known(s.Q3), Max: known(s.Max),
	}
}

func asGapsJSON(c *analysis.Completeness) []gapJSON {
	var out []gapJSON
	for _, o := range c.Outages() {
		g := gapJSON{From: o.Span.From.String(), To: o.Span.To.String()}
		for _, ch := range o.Channels {
			g.Channels = append(g.Channels, ch.String())
		}
		out = append(out, g)
	}
	return out
}
