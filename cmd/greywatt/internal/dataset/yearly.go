package dataset

import (
	"fmt"
	"math"

	"greywatt"
	"greywatt/analysis/summary"
)

// A yearRow is a dwelling's year.
type yearRow struct {
	dwelling string
	*summary.Year
}

func yearNumber(name, unit, description string, decimals int, of func(y *summary.Year) float64) column[yearRow] {
	return column[yearRow]{name: name, unit: unit, decimals: decimals, description: description, number: func(r yearRow) float64 { return of(r.Year) }}
}

var yearColumns = []column[yearRow]{
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file; one with too little data for a year has no row",
		text: func(r yearRow) string { return r.dwelling }},
	yearNumber("days", "d", "Days with readings, incomplete ones in parts", 2, func(y *summary.Year) float64 { return y.Days }),
	yearNumber("showers", "1", "Showers a year", 1, func(y *summary.Year) float64 { return y.Showers }),
	yearNumber("lost", "", "Showers logged whose heat does not count, taken to be like the others", 0, func(y *summary.Year) float64 { return float64(y.Lost) }),
	yearNumber("filled_in", "1", "Share of heat_kwh that was not measured", 4, func(y *summary.Year) float64 { return y.Imputed }),
	yearNumber("mains_mean_c", "Cel", "Mains temperature, mean of the fitted year", 2, func(y *summary.Year) float64 { return y.Season.MeanC }),
	yearNumber("mains_wave_k", "K", "Half of the difference between the warmest and coldest day of the fitted year", 2,
		func(y *summary.Year) float64 { return math.Hypot(y.Season.CosC, y.Season.SinC) }),
	yearNumber("heat_kwh", "kW.h", "Heat gained by the mains water in a year", 3, func(y *summary.Year) float64 { return y.HeatKWh }),
	yearNumber("heat_u95_kwh", "kW.h", "Expanded uncertainty (k = 2) of heat_kwh", 3, func(y *summary.Year) float64 { return y.HeatU95KWh }),
	yearNumber("heat_own_u95_kwh", "kW.h", "The part of it that no other dwelling shares", 3, func(y *summary.Year) float64 { return y.Shares.OwnU95 }),
	yearNumber("heat_shared_u95_kwh", "kW.h", "The part of it that sensors of a batch, and the season of the mains, share with other dwellings", 3,
		func(y *summary.Year) float64 { return math.Hypot(y.Shares.BatchU95, y.Shares.MethodU95) }),
	yearNumber("fuel_kwh", "kW.h", "Fuel or electricity that the heater does not need in a year", 3, func(y *summary.Year) float64 { return y.Fuel }),
	yearNumber("fuel_u95_kwh", "kW.h", "Expanded uncertainty (k = 2) of fuel_kwh", 3, func(y *summary.Year) float64 { return y.FuelU95KWh }),
	yearNumber("carbon_kg", "kg", "Carbon dioxide that is not emitted in a year; empty where the study file has no factor", 3, func(y *summary.Year) float64 { return y.Carbon }),
	yearNumber("carbon_u95_kg", "kg", "Expanded uncertainty (k = 2) of carbon_kg", 3, func(y *summary.Year) float64 { return y.CarbonU95Kg }),
}

type workRow = *summary.Effect

var workColumns = []column[workRow]{
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file",
		text: func(e workRow) string { return e.Dwelling }},
	{name: "kind", required: true, oneOf: []string{string(greywatt.FactCleaned), string(greywatt.FactRepaired)}, description: "What was done",
		text: func(e workRow) string { return string(e.Kind) }},
	{name: "at", required: true, description: "When: of a cleaning, the beginning of its day",
		at: func(e workRow) greywatt.Instant { return e.At }},
	{name: "events_before", description: "Usable events of the four weeks before",
		number: func(e workRow) float64 { return float64(e.Before.Events) }},
	{name: "events_after", description: "Usable events of the four weeks after",
		number: func(e workRow) float64 { return float64(e.After.Events) }},
	{name: "before", unit: "1", decimals: 5, description: "Median ratio before", number: func(e workRow) float64 { return e.Before.Median }},
	{name: "before_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of before", number: func(e workRow) float64 { return e.Before.U95 }},
	{name: "after", unit: "1", decimals: 5, description: "Median ratio after", number: func(e workRow) float64 { return e.After.Median }},
	{name: "after_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of after", number: func(e workRow) float64 { return e.After.U95 }},
	{name: "difference", unit: "1", decimals: 5, description: "after less before", number: func(e workRow) float64 { return e.Difference.Median }},
	{name: "difference_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of difference, in which what the sensors are off by cancels",
		number: func(e workRow) float64 { return e.Difference.U95 }},
	{name: "difference_own_u95", unit: "1", decimals: 5, description: "The part of it that is not the sensors'", number: func(e workRow) float64 { return e.Difference.OwnU95 }},
}

// AddYear takes a dwelling's year and the effects of work on it. Of a package that
// hides anything they stay out.
func (p *Package) AddYear(dwelling string, y *summary.Year, effects []summary.Effect) error {
	if p.hide != nil {
		return nil
	}
	var err error
	if y.Known() {
		err = add(p.years, yearColumns, dwelling, 0, yearRow{dwelling, y})
	}
	for i := range effects {
		if err == nil {
			err = add(p.work, workColumns, dwelling, effects[i].At, &effects[i])
		}
	}
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return nil
}
