package summary

import (
	"iter"
	"math"
	"time"

	"greywatt"
	"greywatt/analysis/annual"
	"greywatt/analysis/completeness"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

// A Year is what a dwelling, or the dwellings of a study together, recover in a
// year by what was logged of it: with the season of the mains, and the time
// without readings filled. What is not known is NaN.
type Year struct {
	annual.Year                       // of a dwelling
	Dwellings                 int     // of a study: those that have a year
	Silent                    int     // those that have too little for one
	HeatU95KWh                float64 // expanded uncertainty, k = 2, that of the measured heat included
	Shares                    Shares  // of it
	Imputed                   float64 // share of the heat that was not measured in the year, 0 to 1
	Fuel, FuelU95KWh          float64 // kWh
	Carbon, CarbonU95Kg       float64 // kg
	Money                     []Money // one a currency
	heat, fuel, carbon, money contribution
}

// Known reports whether there was enough for a year.
func (y *Year) Known() bool { return !math.IsNaN(y.HeatKWh) && y.HeatKWh > 0 }

// OfYear estimates a dwelling's year from its events, in time order, and its sums.
func OfYear(d *greywatt.Dwelling, loc *time.Location, events iter.Seq[*event.Event], findings []finding.Finding, sums *Summary, coverage *completeness.Result) Year {
	if loc == nil {
		loc = time.UTC
	}
	none := Year{Year: annual.Year{HeatKWh: math.NaN()}, Silent: 1, HeatU95KWh: math.NaN(), Imputed: math.NaN(),
		Fuel: math.NaN(), FuelU95KWh: math.NaN(), Carbon: math.NaN(), CarbonU95Kg: math.NaN()}
	r := annual.Record{From: coverage.Span.From, To: coverage.Span.To, Zone: loc, Covered: coverage.CoveredOf}
	for e := range events {
		if e.Kind == event.OtherDraw || e.Has(event.FlagNoWarmWaste) {
			continue
		}
		s := annual.Shower{At: e.Start, HeatKWh: e.HeatKWh, ColdInC: e.ColdInC, WasteInC: e.WasteInC}
		if !heatCounts(e, findings) {
			s.HeatKWh = math.NaN()
		}
		r.Showers = append(r.Showers, s)
	}
	year, err := annual.Of(&r)
	if err != nil || !(sums.HeatKWh > 0) || math.IsNaN(sums.HeatU95KWh) {
		return none
	}
	y := Year{Year: year, Dwellings: 1, Imputed: max(0, 1-sums.HeatKWh/year.HeatKWh), Carbon: math.NaN(), CarbonU95Kg: math.NaN()}
	factor := year.Factor()
	// what the year adds, on the measured heat: habits and lost showers are the
	// dwelling's own, the mains is that of the place
	own := math.Hypot(sums.HeatOwnU, math.Hypot(year.Habits, year.Losses)/factor)
	scaled := func(c contribution) contribution {
		c = c.times(factor)
		c.own = own
		return c.with(SystematicEffect{Input: "season of the mains", Shift: year.Mains * c.factor / factor, InBatch: 1})
	}
	y.heat = scaled(contribution{1, sums.HeatOwnU, sums.HeatSystematic})
	y.Shares = sharesOf([]contribution{y.heat})
	y.HeatU95KWh = y.Shares.U95()
	y.Fuel, y.fuel = sums.FuelKWh*factor, scaled(sums.fuel)
	y.FuelU95KWh = sharesOf([]contribution{y.fuel}).U95()
	if !math.IsNaN(sums.CarbonKg) {
		y.Carbon, y.carbon = sums.CarbonKg*factor, scaled(sums.carbon)
		y.CarbonU95Kg = sharesOf([]contribution{y.carbon}).U95()
	}
	for _, m := range sums.Money {
		y.money = scaled(sums.money)
		y.Money = []Money{{m.Currency, m.Saved * factor, sharesOf([]contribution{y.money}).U95()}}
	}
	return y
}

// YearBounds returns the mean heat a dwelling, kWh, of those that have a year, and
// between what it lies with the silent ones in it: nothing recovered there, and as
// much as in the best. NaN where none has a year.
func YearBounds(years []Year) (mean, lo, hi float64) {
	var n, silent, sum, most float64
	for i := range years {
		silent += float64(years[i].Silent)
		if years[i].Known() {
			n++
			sum += years[i].HeatKWh
			most = max(most, years[i].HeatKWh)
		}
	}
	if n == 0 {
		nan := math.NaN()
		return nan, nan, nan
	}
	return sum / n, sum / (n + silent), (sum + silent*most) / (n + silent)
}

// OfYears sums up the years of dwellings. Those without one are counted and add
// nothing.
func OfYears(years []Year) Year {
	out := Year{Imputed: math.NaN(), Carbon: math.NaN(), CarbonU95Kg: math.NaN()}
	var heat, fuel, carbon []contribution
	paid := map[string][]contribution{}
	var measured float64
	for i := range years {
		y := &years[i]
		out.Silent += y.Silent
		if !y.Known() {
			continue
		}
		out.Dwellings += y.Dwellings
		out.HeatKWh += y.HeatKWh
		out.Measured += y.Measured
		out.Showers += y.Showers
		out.Lost += y.Lost
		out.Fuel += y.Fuel
		measured += y.HeatKWh * (1 - y.Imputed)
		heat, fuel = append(heat, y.heat), append(fuel, y.fuel)
		if !math.IsNaN(y.Carbon) {
			if math.IsNaN(out.Carbon) {
				out.Carbon = 0
			}
			out.Carbon += y.Carbon
			carbon = append(carbon, y.carbon)
		}
		for _, m := range y.Money {
			paid[m.Currency] = append(paid[m.Currency], y.money)
			k := 0
			for k < len(out.Money) && out.Money[k].Currency < m.Currency {
				k++
			}
			if k == len(out.Money) || out.Money[k].Currency != m.Currency {
				out.Money = append(out.Money[:k:k], append([]Money{{Currency: m.Currency}}, out.Money[k:]...)...)
			}
			out.Money[k].Saved += m.Saved
		}
	}
	if out.Dwellings == 0 {
		nan := math.NaN()
		out.HeatKWh, out.HeatU95KWh, out.Fuel, out.FuelU95KWh = nan, nan, nan, nan
		return out
	}
	out.Imputed = 1 - measured/out.HeatKWh
	out.Shares = sharesOf(heat)
	out.HeatU95KWh, out.FuelU95KWh = out.Shares.U95(), sharesOf(fuel).U95()
	if len(carbon) > 0 {
		out.CarbonU95Kg = sharesOf(carbon).U95()
	}
	for k := range out.Money {
		out.Money[k].U95 = sharesOf(paid[out.Money[k].Currency]).U95()
	}
	return out
}
