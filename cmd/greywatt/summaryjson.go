package main

import (
	"io"
	"math"

	"greywatt/analysis/completeness"
	"greywatt/analysis/summary"
	"greywatt/cmd/greywatt/internal/cli"
)

// sumJSON is a row of summary in JSON.
type sumJSON struct {
	Dwelling   *string `json:"dwelling"`            // null: the study
	Connection *string `json:"connection"`          // A, B or C; null: the study
	Month      *string `json:"month"`               // as in 2026-03; null: all of the data
	Group      *string `json:"group"`               // of dwellings, as in connection A or group NAME; null: all of them, or one dwelling
	Dwellings  int     `json:"dwellings,omitempty"` // of the study, with data; only where dwelling is null

	Showers    int            `json:"showers"`     // all of them
	OtherDraws int            `json:"other_draws"` // draws without warm waste
	Partial    int            `json:"partial"`     // events that a gap in the data cuts
	Used       int            `json:"used"`        // showers that the medians are of
	Rejected   map[string]int `json:"rejected"`    // events that they are not of, by reason

	Effectiveness any          `json:"effectiveness"`           // the measured
	Expected      cli.Known    `json:"expected"`                // of the rating, at the same showers' flows and temperatures: median
	ExpectedU95   cli.Known    `json:"expected_u95"`            // its expanded uncertainty, which all showers share
	AtCertificate cli.Known    `json:"expected_at_certificate"` // at the same flows and the certificate's temperatures: median
	MainsC        cli.Known    `json:"mains_c"`                 // °C, cold-in of the same showers: median
	Pooled        any          `json:"pooled,omitempty"`        // the ratio of dwellings like these, by random effects; of the study
	Ratio         any          `json:"ratio"`                   // measured over expected, with the keys of effectiveness
	ByHeat        weightedJSON `json:"ratio_by_heat"`           // mean of the ratio, weighted by the heat of each shower
	ByTime        weightedJSON `json:"ratio_by_time"`           // mean of the ratio, weighted by the time for which each shower's water ran
	Year          any          `json:"year,omitempty"`          // what a year would bring; only over all of the data, and where there is enough for it
	Effects       []effectJSON `json:"effects,omitempty"`       // of cleanings and repairs; of a dwelling over all of the data
	Paired        []pairedJSON `json:"paired,omitempty"`        // the same over dwellings; of the study over all of the data

	HeatKWh      cli.Known   `json:"heat_kwh"`           // gained by the mains water, all events together
	HeatU95KWh   cli.Known   `json:"heat_u95_kwh"`       // its expanded uncertainty
	HeatOwnU95   cli.Known   `json:"heat_own_u95_kwh"`   // the part of it that no other dwelling shares
	HeatBatchU95 cli.Known   `json:"heat_batch_u95_kwh"` // the part that sensors of a batch share
	HeatEvents   int         `json:"heat_events"`        // events in it
	HeatLeftOut  int         `json:"heat_left_out"`      // events whose heat is not known
	FuelKWh      cli.Known   `json:"fuel_kwh"`           // fuel or electricity that the heater did not need
	FuelU95KWh   cli.Known   `json:"fuel_u95_kwh"`       // its expanded uncertainty
	CarbonKg     cli.Known   `json:"carbon_kg"`          // that was not emitted
	CarbonU95Kg  cli.Known   `json:"carbon_u95_kg"`      // its expanded uncertainty
	Money        []moneyJSON `json:"money"`              // a row a currency
	Completeness cli.Known   `json:"completeness"`       // share of the hours that have readings of every needed channel
	Gaps         []gapJSON   `json:"gaps,omitempty"`     // of more than an hour; of a dwelling over all of the data
}

type moneyJSON struct {
	Currency string    `json:"currency"` // as the study file has it
	Saved    cli.Known `json:"saved"`    // in it
	U95      cli.Known `json:"u95"`      // expanded uncertainty of saved
}

type gapJSON struct {
	From     string   `json:"from"`     // RFC 3339
	To       string   `json:"to"`       // RFC 3339
	Channels []string `json:"channels"` // that had no reading
}

// estimateJSON is a median over the events of one dwelling.
type estimateJSON struct {
	Median        cli.Known      `json:"median"`         // over the dwelling's showers
	U95           cli.Known      `json:"u95"`            // expanded uncertainty of the median, both parts together
	OwnU95        cli.Known      `json:"own_u95"`        // expanded uncertainty of what averages out over showers
	RandomLo      cli.Known      `json:"random_lo"`      // lower end of the 95 % interval of what differs from shower to shower
	RandomHi      cli.Known      `json:"random_hi"`      // its upper end
	SystematicU95 cli.Known      `json:"systematic_u95"` // expanded uncertainty of what all showers share: clamps, meter, rating
	Systematic    []systemicJSON `json:"systematic"`     // the same by input, see [inputs](#inputs-of-a-budget)
}

type systemicJSON struct {
	Input string    `json:"input"` // of the budget
	U95   cli.Known `json:"u95"`   // what it adds, k = 2
}

// weightedJSON is a mean over events with weights.
type weightedJSON struct {
	Mean      cli.Known `json:"mean"`       // over the showers used whose weight is known
	U95       cli.Known `json:"u95"`        // its expanded uncertainty
	OwnU95    cli.Known `json:"own_u95"`    // the part of it that no other dwelling shares, what averages out over showers in it
	BatchU95  cli.Known `json:"batch_u95"`  // the part that sensors of a batch share
	MethodU95 cli.Known `json:"method_u95"` // the part that all dwellings share
	Events    int       `json:"events"`     // in it
}

func asWeightedJSON(w *summary.Weighted) weightedJSON {
	return weightedJSON{cli.Known(w.Value), cli.Known(w.U95), cli.Known(w.OwnU95), cli.Known(w.BatchU95), cli.Known(w.MethodU95), w.Events}
}

// spreadJSON is a median over dwellings.
type spreadJSON struct {
	Dwellings   int       `json:"dwellings"`     // that have a median
	Median      cli.Known `json:"median"`        // of the dwellings' medians
	U95         cli.Known `json:"u95"`           // expanded uncertainty of that median
	OwnU95      cli.Known `json:"own_u95"`       // the part of it that is each dwelling's own
	BatchU95    cli.Known `json:"batch_u95"`     // the part that sensors of a batch share
	MethodU95   cli.Known `json:"method_u95"`    // the part that all dwellings share
	LikeTheseLo cli.Known `json:"like_these_lo"` // lower end of the interval in which the median of such dwellings lies with 95 %
	LikeTheseHi cli.Known `json:"like_these_hi"` // its upper end
	Min         cli.Known `json:"min"`           // least of the dwellings
	Q1          cli.Known `json:"q1"`            // first quartile
	Q3          cli.Known `json:"q3"`            // third quartile
	Max         cli.Known `json:"max"`           // greatest of the dwellings
}

// pooledJSON is a figure of dwellings like these.
type pooledJSON struct {
	Dwellings int       `json:"dwellings"`  // that have a ratio
	Mean      cli.Known `json:"mean"`       // of measured over expected
	U95       cli.Known `json:"u95"`        // its expanded uncertainty
	SharedU95 cli.Known `json:"shared_u95"` // the part of it that more dwellings would not lessen
	Between   cli.Known `json:"between_sd"` // standard deviation from dwelling to dwelling
	BetweenLo cli.Known `json:"between_lo"` // lower end of its 95 % interval
	BetweenHi cli.Known `json:"between_hi"` // its upper end
	NextLo    cli.Known `json:"next_lo"`    // lower end of the interval in which the next dwelling's ratio lies with 95 %
	NextHi    cli.Known `json:"next_hi"`    // its upper end
}

func (s *studySums) writeJSON(w io.Writer) error {
	at := 0 // of the dwelling
	for _, r := range s.rows() {
		line := asSumJSON(r.tally)
		line.Month, line.Completeness = cli.KnownText(r.month.String()), cli.Known(r.complete)
		if d := r.dwelling; d != nil {
			line.Dwelling, line.Connection = cli.KnownText(d.Dwelling), cli.KnownText(d.Connection.String())
			line.Effectiveness, line.Ratio = asEstimateJSON(&d.Effectiveness), asEstimateJSON(&d.Ratio)
			line.Expected, line.ExpectedU95 = cli.Known(d.Expected), cli.Known(d.ExpectedU95)
			line.AtCertificate, line.MainsC = cli.Known(d.AtCertificate), cli.Known(d.MainsC)
			line.ByHeat, line.ByTime = asWeightedJSON(&d.ByHeat), asWeightedJSON(&d.ByTime)
			if d.Month == (summary.Month{}) {
				line.Gaps = asGapsJSON(&s.coverage[at])
				line.Year, line.Effects = asYearJSON(&s.years[at]), asEffectsJSON(s.effects[at])
				at++
			}
		} else {
			line.Dwellings, line.Group = r.study.Dwellings, cli.KnownText(r.study.Group)
			line.ByHeat, line.ByTime = asWeightedJSON(&r.study.ByHeat), asWeightedJSON(&r.study.ByTime)
			if p := &r.study.Pooled; p.Dwellings > 0 {
				line.Pooled = pooledJSON{p.Dwellings, cli.Known(p.Mean), cli.Known(p.U95), cli.Known(p.SharedU95),
					cli.Known(p.Tau), cli.Known(p.TauLo), cli.Known(p.TauHi), cli.Known(p.Lo), cli.Known(p.Hi)}
			}
			if r.study.Group == "" && r.month == (summary.Month{}) {
				study := summary.OfYears(s.years)
				line.Year, line.Paired = asYearJSON(&study), asPairedJSON(s.allEffects())
			}
			line.Expected, line.ExpectedU95 = cli.Known(r.study.Expected), cli.Known(r.study.ExpectedU95)
			line.AtCertificate, line.MainsC = cli.Known(r.study.AtCertificate), cli.Known(r.study.MainsC)
			line.Effectiveness, line.Ratio = asSpreadJSON(&r.study.Effectiveness), asSpreadJSON(&r.study.Ratio)
		}
		if err := cli.WriteJSONLine(w, line); err != nil {
			return err
		}
	}
	return nil
}

func asSumJSON(t *summary.Tally) sumJSON {
	line := sumJSON{
		Showers: t.Showers, OtherDraws: t.OtherDraws, Partial: t.Partial, Used: t.Used, Rejected: map[string]int{},
		HeatKWh: cli.Known(t.HeatKWh), HeatU95KWh: cli.Known(t.HeatU95KWh),
		HeatOwnU95: cli.Known(t.HeatShares.OwnU95), HeatBatchU95: cli.Known(t.HeatShares.BatchU95), HeatEvents: t.HeatEvents, HeatLeftOut: t.HeatLeftOut,
		FuelKWh: cli.Known(t.FuelKWh), FuelU95KWh: cli.Known(t.FuelU95KWh),
		CarbonKg: cli.Known(t.CarbonKg), CarbonU95Kg: cli.Known(t.CarbonU95Kg), Money: []moneyJSON{},
	}
	for _, r := range t.Rejected {
		line.Rejected[string(r.Reason)] = r.Events
	}
	for _, m := range t.Money {
		line.Money = append(line.Money, moneyJSON{m.Currency, cli.Known(m.Saved), cli.Known(m.U95)})
	}
	return line
}

func asEstimateJSON(e *summary.Estimate) estimateJSON {
	out := estimateJSON{
		Median: cli.Known(e.Median), U95: cli.Known(e.U95), OwnU95: cli.Known(e.OwnU95), RandomLo: cli.Known(e.Lo), RandomHi: cli.Known(e.Hi),
		SystematicU95: cli.Known(e.SystematicU95), Systematic: []systemicJSON{},
	}
	for _, s := range e.Systematic {
		out.Systematic = append(out.Systematic, systemicJSON{s.Input, cli.Known(2 * math.Abs(s.Shift))})
	}
	return out
}

func asSpreadJSON(s *summary.StudyMedian) spreadJSON {
	return spreadJSON{
		Dwellings: s.Dwellings, Median: cli.Known(s.Median), U95: cli.Known(s.U95),
		OwnU95: cli.Known(s.OwnU95), BatchU95: cli.Known(s.BatchU95), MethodU95: cli.Known(s.MethodU95),
		LikeTheseLo: cli.Known(s.Lo), LikeTheseHi: cli.Known(s.Hi), Min: cli.Known(s.Min), Q1: cli.Known(s.Q1), Q3: cli.Known(s.Q3), Max: cli.Known(s.Max),
	}
}

func asGapsJSON(c *completeness.Result) []gapJSON {
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
