package dataset

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/plots/wording"
)

type dwellingRow struct {
	*greywatt.Dwelling
	arrivals []string // nodes
	missing  float64  // packs; NaN where no node numbers them
}

// dwellingColumns describe the dwellings as the study file does.
var dwellingColumns = append([]column[dwellingRow]{
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file",
		text: func(d dwellingRow) string { return d.ID }},
	{name: "connection", required: true, oneOf: []string{"A", "B", "C"},
		description: "What the preheated water feeds: A the mixer's cold side and the water heater, B the mixer's cold side only, C the water heater only",
		text:        func(d dwellingRow) string { return d.Connection.String() }},
	{name: "group", description: "Arm or group of the study; empty where it has none",
		text: func(d dwellingRow) string { return d.Group }},
	{name: "commissioned", description: "Day on which the unit was taken into use; empty where not stated",
		text: func(d dwellingRow) string { return dayText(d.Commissioned) }},
	{name: "orientation", required: true, oneOf: []string{string(greywatt.Vertical), string(greywatt.Horizontal)}, description: "How the unit hangs",
		text: func(d dwellingRow) string { return string(d.Exchanger.Orientation) }},
	{name: "rated", required: true, description: "The certificate's points, as flow on each side in L/min, a colon and effectiveness, separated by semicolons",
		text: func(d dwellingRow) string {
			points := make([]string, len(d.Exchanger.Rated))
			for i, p := range d.Exchanger.Rated {
				points[i] = fmt.Sprintf("%g:%g", p.FlowLMin, p.Effectiveness)
			}
			return strings.Join(points, ";")
		}},
	{name: "rated_cold_in_c", unit: "Cel", decimals: 1, description: "Cold inlet of the certificate's test, as stated or as the rating standard has it",
		number: func(d dwellingRow) float64 { c, _ := d.Exchanger.RatedInlets(); return c }},
	{name: "rated_waste_in_c", unit: "Cel", decimals: 1, description: "Waste inlet of that test",
		number: func(d dwellingRow) float64 { _, w := d.Exchanger.RatedInlets(); return w }},
	{name: "heater", description: "The heater, as the study file has it",
		text: func(d dwellingRow) string { return d.Heater.Kind }},
	{name: "heater_efficiency", unit: "1", decimals: 3, description: "Heat out per fuel or electricity in",
		number: func(d dwellingRow) float64 { return d.Heater.Efficiency }},
}, slices.Concat(sensorColumns(), laterColumns())...)

// laterColumns came after the first release: columns are added at the end.
func laterColumns() []column[dwellingRow] {
	var columns []column[dwellingRow]
	for _, c := range []struct {
		name, description string
		day               func(dwellingRow) greywatt.Date
	}{
		{"recruited", "Day on which the household joined the study; empty where not stated", func(d dwellingRow) greywatt.Date { return d.Recruited }},
		{"fitted", "Day on which the unit was fitted; empty where not stated", func(d dwellingRow) greywatt.Date { return d.Fitted }},
		{"left", "Last day of the dwelling in the study; empty where it has not left", func(d dwellingRow) greywatt.Date { return d.Left }},
	} {
		columns = append(columns, column[dwellingRow]{name: c.name, description: c.description,
			text: func(d dwellingRow) string { return dayText(c.day(d)) }})
	}
	for c := range greywatt.Channel(greywatt.NumChannels) {
		if c == greywatt.Ambient {
			continue
		}
		name := strings.ReplaceAll(c.String(), "-", "_")
		sensor := func(d dwellingRow) greywatt.Sensor {
			for _, s := range d.Sensors {
				if s.Channel == c {
					return s
				}
			}
			return greywatt.Sensor{}
		}
		columns = append(columns,
			column[dwellingRow]{name: name + "_calibrated", description: "Day of its calibration; empty where not stated",
				text: func(d dwellingRow) string { return dayText(sensor(d).Calibrated) }},
			column[dwellingRow]{name: name + "_certificate", description: "Reference of that calibration",
				text: func(d dwellingRow) string { return sensor(d).Certificate }})
	}
	return append(columns, column[dwellingRow]{
		name: "arrival_time_nodes", description: "Nodes whose messages state no time, so that their readings count for the moment at which the logger got them, separated by semicolons; empty where none is known",
		text: func(d dwellingRow) string { return strings.Join(d.arrivals, ";") },
	}, column[dwellingRow]{
		name: "packs_missing", description: "Packs that the dwelling's nodes numbered and the logger has not received, late or lost on the way; empty where none numbers its packs",
		number: func(d dwellingRow) float64 { return d.missing },
	})
}

func dayText(d greywatt.Date) string {
	if d.IsZero() {
		return ""
	}
	return d.String()
}

// sensorColumns have each channel's declared uncertainty and batch.
func sensorColumns() []column[dwellingRow] {
	var columns []column[dwellingRow]
	for c := greywatt.WasteIn; c <= greywatt.WasteFlow; c++ {
		if c == greywatt.Ambient {
			continue
		}
		name := strings.ReplaceAll(c.String(), "-", "_")
		sensor := func(d dwellingRow) (greywatt.Sensor, bool) {
			for _, s := range d.Sensors {
				if s.Channel == c {
					return s, true
				}
			}
			return greywatt.DefaultSensor(c), c != greywatt.WasteFlow
		}
		u95 := column[dwellingRow]{name: name + "_u95_k", unit: "K", decimals: 3, description: "Expanded uncertainty (k = 2) of the " + c.String() + " clamp after correction, the first declared"}
		if c.IsFlow() {
			u95 = column[dwellingRow]{name: name + "_u95_relative", unit: "1", decimals: 4, description: "Expanded relative uncertainty (k = 2) of the " + c.String() + " meter, the first declared; empty where there is none"}
		}
		u95.number = func(d dwellingRow) float64 {
			s, ok := sensor(d)
			switch {
			case !ok:
				return math.NaN()
			case c.IsFlow():
				return s.U95Relative
			}
			return s.U95K
		}
		columns = append(columns, u95, column[dwellingRow]{
			name: name + "_batch", description: "Batch whose error it shares; empty where none is declared, and all such count as one",
			text: func(d dwellingRow) string { s, _ := sensor(d); return s.Batch },
		})
	}
	return columns
}

type monthRow = *summary.Summary

var monthColumns = []column[monthRow]{
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file",
		text: func(s monthRow) string { return s.Dwelling }},
	{name: "month", required: true, description: "Calendar month in the study's time zone, as in 2026-03; all: all of the data",
		text: func(s monthRow) string {
			if s.Month == (summary.Month{}) {
				return "all"
			}
			return s.Month.String()
		}},
	{name: "showers", description: "Showers of the month",
		number: func(s monthRow) float64 { return float64(s.Showers) }},
	{name: "used", description: "Events behind the medians",
		number: func(s monthRow) float64 { return float64(s.Used) }},
	{name: "mains_c", unit: "Cel", decimals: 2, description: "Cold-in of the same events, median",
		number: func(s monthRow) float64 { return s.MainsC }},
	{name: "effectiveness", unit: "1", decimals: 5, description: "Median over the events used",
		number: func(s monthRow) float64 { return s.Effectiveness.Median }},
	{name: "effectiveness_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of effectiveness",
		number: func(s monthRow) float64 { return s.Effectiveness.U95 }},
	{name: "expected", unit: "1", decimals: 5, description: "Median of what was expected of the same events",
		number: func(s monthRow) float64 { return s.Expected }},
	{name: "expected_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of expected, which events share",
		number: func(s monthRow) float64 { return s.ExpectedU95 }},
	{name: "ratio", unit: "1", decimals: 5, description: "Median of effectiveness / expected",
		number: func(s monthRow) float64 { return s.Ratio.Median }},
	{name: "ratio_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of ratio",
		number: func(s monthRow) float64 { return s.Ratio.U95 }},
	{name: "heat_kwh", unit: "kW.h", decimals: 4, description: "Heat gained by the mains water in showers, as measured",
		number: func(s monthRow) float64 { return s.HeatKWh }},
	{name: "heat_u95_kwh", unit: "kW.h", decimals: 4, description: "Expanded uncertainty (k = 2) of heat_kwh",
		number: func(s monthRow) float64 { return s.HeatU95KWh }},
	{name: "ratio_by_heat", unit: "1", decimals: 5, description: "Mean of effectiveness / expected over the events used, weighted by the heat of each",
		number: func(s monthRow) float64 { return s.ByHeat.Value }},
	{name: "ratio_by_heat_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of ratio_by_heat",
		number: func(s monthRow) float64 { return s.ByHeat.U95 }},
	{name: "ratio_by_time", unit: "1", decimals: 5, description: "Mean of effectiveness / expected over the events used, weighted by the time for which the water of each ran",
		number: func(s monthRow) float64 { return s.ByTime.Value }},
	{name: "ratio_by_time_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of ratio_by_time",
		number: func(s monthRow) float64 { return s.ByTime.U95 }},
}

// An effectRow is one part of the uncertainty of a dwelling's figure over all data.
type effectRow struct {
	dwelling, figure string
	summary.SystematicEffect
}

var effectColumns = []column[effectRow]{
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file",
		text: func(r effectRow) string { return r.dwelling }},
	{name: "figure", required: true, oneOf: []string{"effectiveness", "ratio", "heat_kwh"}, description: "The figure, as in monthly.csv over all data",
		text: func(r effectRow) string { return r.figure }},
	{name: "input", required: true, description: "Input of the budget whose error it is; own: all that no other dwelling shares and no input names",
		text: func(r effectRow) string { return r.Input }},
	{name: "shift", unit: "1", decimals: 7, description: "Change of the figure, in its unit, by one standard uncertainty of the input, signed",
		number: func(r effectRow) float64 { return r.Shift }},
	{name: "shared_by", required: true, oneOf: []string{"none", "batch", "all"}, description: "Which dwellings have that error in common",
		text: func(r effectRow) string {
			switch {
			case r.OfMethod:
				return "all"
			case r.InBatch > 0:
				return "batch"
			}
			return "none"
		}},
	{name: "batch", description: "The batch, where shared_by is batch; empty: that of sensors without one",
		text: func(r effectRow) string { return r.Batch }},
	{name: "batch_share", unit: "1", decimals: 6, description: "Share of the variance that the batch has in common, 0 to 1",
		number: func(r effectRow) float64 { return r.InBatch }},
}

// effects returns the parts of the uncertainties of a dwelling's figures.
func effects(s *summary.Summary) []effectRow {
	var rows []effectRow
	for _, f := range []struct {
		name       string
		value, own float64 // own: standard uncertainty
		systematic []summary.SystematicEffect
	}{
		{"effectiveness", s.Effectiveness.U95, s.Effectiveness.OwnU95 / 2, s.Effectiveness.Systematic},
		{"ratio", s.Ratio.U95, s.Ratio.OwnU95 / 2, s.Ratio.Systematic},
		{"heat_kwh", s.HeatKWh, s.HeatOwnU, s.HeatSystematic},
	} {
		if math.IsNaN(f.value) {
			continue
		}
		rows = append(rows, effectRow{s.Dwelling, f.name, summary.SystematicEffect{Input: "own", Shift: f.own}})
		for _, e := range f.systematic {
			rows = append(rows, effectRow{s.Dwelling, f.name, e})
		}
	}
	return rows
}

type codeRow struct{ kind, code, meaning string }

var codeColumns = []column[codeRow]{
	{name: "table", required: true, oneOf: []string{"events", "findings"}, description: "Whose flags or findings",
		text: func(r codeRow) string { return r.kind }},
	{name: "code", required: true, description: "As in the column flags or finding",
		text: func(r codeRow) string { return r.code }},
	{name: "meaning", required: true, description: "What it says",
		text: func(r codeRow) string { return r.meaning }},
}

var findingMeanings = map[finding.Code]string{
	finding.Fouling:              "the conductance falls slowly, as dirt grows on the waste side",
	finding.StepLoss:             "the conductance fell within days and stayed low",
	finding.LowFromStart:         "the conductance was below the certificate's from the first shower on",
	finding.ParallelFlow:         "the mains water flows the wrong way through the unit",
	finding.WasteSensorsSwapped:  "the two waste clamps are exchanged",
	finding.SupplySensorsSwapped: "the cold-in and preheat-out clamps are exchanged",
	finding.SensorLoose:          "a clamp lost its contact with the pipe",
	finding.NoRecovery:           "the unit passes hardly any heat",
	finding.ConnectionDiffers:    "the piping is not the connection that the study file states",
	finding.FlowOffScale:         "the flow meter reads wrong by a factor",
	finding.SensorDrifting:       "a sensor's error grows with time",
	finding.SensorDead:           "a sensor gives no usable readings",
	finding.BypassAtTimes:        "a share of the showers recovers much less than the others",
	finding.Leak:                 "water flows while nothing is drawn",
	finding.Healthy:              "nothing was found, and the record is long enough to say so",
	finding.Undecided:            "the record does not decide; the column decide says what would",
}

// codes are all flags and findings.
func codes() []codeRow {
	var rows []codeRow
	for _, f := range wording.Flags() {
		rows = append(rows, codeRow{"events", string(f), wording.Flag(f)})
	}
	for _, c := range findingCodes {
		rows = append(rows, codeRow{"findings", c, findingMeanings[finding.Code(c)]})
	}
	return rows
}

// SetArrivals names the nodes, by dwelling, whose readings count for when they
// came. Call it before AddDwelling.
func (p *Package) SetArrivals(of map[string][]string) { p.arrivals = of }

// SetMissingPacks says how many of the packs that nodes number have not come, for
// each dwelling that has such nodes. Call it before AddDwelling.
func (p *Package) SetMissingPacks(of map[string]float64) { p.missing = of }

// AddDwelling takes the description of a dwelling and its sums. Of a package that
// hides anything they stay out: they would single the dwelling out.
func (p *Package) AddDwelling(d *greywatt.Dwelling, s *summary.Dwelling) error {
	if p.hide != nil {
		return nil
	}
	missing, numbered := p.missing[d.ID]
	if !numbered {
		missing = math.NaN()
	}
	err := add(p.described, dwellingColumns, d.ID, 0, dwellingRow{d, p.arrivals[d.ID], missing})
	if err == nil {
		err = add(p.months, monthColumns, d.ID, 0, &s.Summary)
	}
	for i := range s.Months {
		if err == nil {
			err = add(p.months, monthColumns, d.ID, 0, &s.Months[i])
		}
	}
	for _, r := range effects(&s.Summary) {
		if err == nil {
			err = add(p.effects, effectColumns, d.ID, 0, r)
		}
	}
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return nil
}
