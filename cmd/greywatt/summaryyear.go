package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"greywatt/analysis/summary"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

// addYear takes what follows from a dwelling's events for a year, and for the work
// done on it.
func (s *studySums) addYear(r *site.Result) {
	d := &s.dwellings[len(s.dwellings)-1]
	findings := r.Diagnosis.All()
	s.years = append(s.years, summary.OfYear(r.Dwelling, s.zone, r.All(), findings, &d.Summary, &r.Completeness))
	s.effects = append(s.effects, summary.OfWork(r.Dwelling, s.zone, r.All(), findings))
}

// allEffects are those of all dwellings.
func (s *studySums) allEffects() []summary.Effect {
	var all []summary.Effect
	for _, e := range s.effects {
		all = append(all, e...)
	}
	return all
}

// writeYear writes what a year would bring, where any dwelling has enough for one.
func (s *studySums) writeYear(w io.Writer) {
	study := summary.OfYears(s.years)
	if !study.Known() {
		return
	}
	table := cli.NewTable("DWELLING", ">DAYS", ">FILLED IN", ">HEAT KWH A YEAR", ">FUEL KWH", ">CARBON KG", "SAVED")
	row := func(name, days string, y *summary.Year) {
		table.Add(name, days, percent(y.Imputed), sumU95(y.HeatKWh, y.HeatU95KWh), sumU95(y.Fuel, y.FuelU95KWh), sumU95(y.Carbon, y.CarbonU95Kg), moneyWords(y.Money))
	}
	for i := range s.years {
		if y := &s.years[i]; y.Known() {
			row(s.dwellings[i].Dwelling, fmt.Sprintf("%.0f", y.Days), y)
		}
	}
	if len(s.years) > 1 {
		row("study", "", &study)
	}
	fmt.Fprint(w, "\nIn a year by these data, with the season of the mains and the time without readings filled in:\n")
	var text strings.Builder
	table.Write(&text)
	fmt.Fprint(w, text.String())
	if words := silentWords(s.years, &study); words != "" {
		fmt.Fprintln(w, words)
	}
}

// silentWords bounds what dwellings without a year could change; empty where each
// has one.
func silentWords(years []summary.Year, study *summary.Year) string {
	if study.Silent == 0 || study.Dwellings == 0 {
		return ""
	}
	mean, lo, hi := summary.YearBounds(years)
	verb := "have too little for a year and are"
	if study.Silent == 1 {
		verb = "has too little for a year and is"
	}
	return fmt.Sprintf("%s %s not in it. The mean of the others is %.0f kWh a dwelling; with all it lies\nbetween %.0f, if nothing is recovered there, and %.0f, if as much as in the best.",
		wording.Count(study.Silent, "dwelling"), verb, mean, lo, hi)
}

// writeEffects writes the ratio before and after work, where there was any.
func (s *studySums) writeEffects(w io.Writer) {
	all := s.allEffects()
	if len(all) == 0 {
		return
	}
	table := cli.NewTable("DWELLING", "WORK", "AT", "RATIO BEFORE", "AFTER", "DIFFERENCE")
	for i := range all {
		e := &all[i]
		table.Add(e.Dwelling, wording.Plain(string(e.Kind)), e.At.Time().In(s.zone).Format("2006-01-02"),
			cli.WithU95(e.Before.Median, e.Before.U95, 3), cli.WithU95(e.After.Median, e.After.U95, 3), signedU95(e.Difference.Median, e.Difference.U95))
	}
	fmt.Fprint(w, "\nFour weeks before and after work; what sensors are off by is in both and cancels in the difference:\n")
	var text strings.Builder
	table.Write(&text)
	fmt.Fprint(w, text.String())
	for _, p := range summary.Paired(all) {
		if p.Pooled.Dwellings > 0 {
			fmt.Fprintf(w, "%s: %s over %s (random effects)", wording.Capital(wording.Plain(string(p.Kind))), signedU95(p.Pooled.Mean, p.Pooled.U95), wording.Count(p.Pooled.Dwellings, "dwelling"))
			if p.Pooled.Lo == p.Pooled.Lo {
				fmt.Fprintf(w, "; the next dwelling's lies between %+.3f and %+.3f (95 %%)", p.Pooled.Lo, p.Pooled.Hi)
			}
			fmt.Fprintln(w, ".")
		}
	}
}

func signedU95(v, u95 float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return fmt.Sprintf("%+.3f ± %.3f", v, u95)
}

// yearJSON is what a year would bring by what was logged.
type yearJSON struct {
	Dwellings   int         `json:"dwellings"`     // that have a year; of a dwelling 1
	Silent      int         `json:"silent"`        // dwellings with too little for one
	Days        cli.Known   `json:"days"`          // with readings; null: the study
	Showers     cli.Known   `json:"showers"`       // a year
	FilledIn    cli.Known   `json:"filled_in"`     // share of the heat that was not measured
	HeatKWh     cli.Known   `json:"heat_kwh"`      // gained by the mains water in a year
	HeatU95KWh  cli.Known   `json:"heat_u95_kwh"`  // its expanded uncertainty: measured heat, habits, season, showers without heat
	FuelKWh     cli.Known   `json:"fuel_kwh"`      // that the heater does not need
	FuelU95KWh  cli.Known   `json:"fuel_u95_kwh"`  // its expanded uncertainty
	CarbonKg    cli.Known   `json:"carbon_kg"`     // that is not emitted
	CarbonU95Kg cli.Known   `json:"carbon_u95_kg"` // its expanded uncertainty
	Money       []moneyJSON `json:"money"`         // a row a currency
}

// effectJSON is the ratio before and after a piece of work.
type effectJSON struct {
	Kind         string    `json:"kind"`           // cleaned or repaired
	At           string    `json:"at"`             // RFC 3339
	EventsBefore int       `json:"events_before"`  // of the four weeks before
	EventsAfter  int       `json:"events_after"`   // of the four weeks after
	Before       cli.Known `json:"before"`         // median ratio
	BeforeU95    cli.Known `json:"before_u95"`     // its expanded uncertainty
	After        cli.Known `json:"after"`          // median ratio
	AfterU95     cli.Known `json:"after_u95"`      // its expanded uncertainty
	Difference   cli.Known `json:"difference"`     // after less before
	U95          cli.Known `json:"difference_u95"` // its expanded uncertainty, in which what the sensors are off by cancels
}

// pairedJSON is the effect of a kind of work over dwellings.
type pairedJSON struct {
	Kind      string    `json:"kind"`       // cleaned or repaired
	Effects   int       `json:"effects"`    // pieces of work
	Dwellings int       `json:"dwellings"`  // that had any; 0: fewer than two, and no mean
	Mean      cli.Known `json:"mean"`       // of the differences, by random effects
	U95       cli.Known `json:"u95"`        // its expanded uncertainty
	Between   cli.Known `json:"between_sd"` // standard deviation from dwelling to dwelling
	NextLo    cli.Known `json:"next_lo"`    // lower end of the interval in which the next dwelling's lies with 95 %
	NextHi    cli.Known `json:"next_hi"`    // its upper end
}

func asYearJSON(y *summary.Year) any {
	if !y.Known() {
		return nil
	}
	out := yearJSON{
		Dwellings: y.Dwellings, Silent: y.Silent, Days: cli.Known(y.Days), Showers: cli.Known(y.Showers), FilledIn: cli.Known(y.Imputed),
		HeatKWh: cli.Known(y.HeatKWh), HeatU95KWh: cli.Known(y.HeatU95KWh), FuelKWh: cli.Known(y.Fuel), FuelU95KWh: cli.Known(y.FuelU95KWh),
		CarbonKg: cli.Known(y.Carbon), CarbonU95Kg: cli.Known(y.CarbonU95Kg), Money: []moneyJSON{},
	}
	if y.Days == 0 {
		out.Days = cli.Known(math.NaN())
	}
	for _, m := range y.Money {
		out.Money = append(out.Money, moneyJSON{m.Currency, cli.Known(m.Saved), cli.Known(m.U95)})
	}
	return out
}

func asEffectsJSON(effects []summary.Effect) []effectJSON {
	var out []effectJSON
	for i := range effects {
		e := &effects[i]
		out = append(out, effectJSON{
			Kind: string(e.Kind), At: e.At.String(), EventsBefore: e.Before.Events, EventsAfter: e.After.Events,
			Before: cli.Known(e.Before.Median), BeforeU95: cli.Known(e.Before.U95), After: cli.Known(e.After.Median), AfterU95: cli.Known(e.After.U95),
			Difference: cli.Known(e.Difference.Median), U95: cli.Known(e.Difference.U95),
		})
	}
	return out
}

func asPairedJSON(all []summary.Effect) []pairedJSON {
	var out []pairedJSON
	for _, p := range summary.Paired(all) {
		x := &p.Pooled
		out = append(out, pairedJSON{string(p.Kind), p.Effects, x.Dwellings, cli.Known(x.Mean), cli.Known(x.U95), cli.Known(x.Tau), cli.Known(x.Lo), cli.Known(x.Hi)})
	}
	return out
}
