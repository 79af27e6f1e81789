package dataset

import (
	"math"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

func flags(e *event.Event) string {
	words := make([]string, len(e.Flags))
	for i, f := range e.Flags {
		words[i] = string(f)
	}
	return strings.Join(words, ";")
}

type eventRow = *event.Event

// eventColumns are in the order that readers of events.csv rely on; add at the
// end.
var eventColumns = []column[eventRow]{
	{name: "event_id", required: true, description: "Identifies the event; the same when the same data is analysed again",
		text: func(e eventRow) string { return e.ID }},
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file",
		text: func(e eventRow) string { return e.Dwelling }},
	{name: "connection", required: true, oneOf: []string{"A", "B", "C"},
		description: "What the preheated water feeds: A the mixer's cold side and the water heater, B the mixer's cold side only, C the water heater only",
		text:        func(e eventRow) string { return e.Connection.String() }},
	{name: "start", required: true, description: "First instant with mains flow, UTC",
		at: func(e eventRow) greywatt.Instant { return e.Start }},
	{name: "end", required: true, description: "Last instant with mains flow, UTC",
		at: func(e eventRow) greywatt.Instant { return e.End }},
	{name: "kind", required: true, oneOf: []string{string(event.Shower), string(event.OtherDraw), string(event.Partial)},
		description: "shower: mains flow with warm waste on the other side; other-draw: mains flow without warm waste; partial: a gap in the data hides part of the event",
		text:        func(e eventRow) string { return string(e.Kind) }},
	{name: "duration_s", unit: "s", decimals: 1, description: "Whole span from start to end",
		number: func(e eventRow) float64 { return e.DurationS }},
	{name: "running_s", unit: "s", decimals: 1, description: "Time with mains flow within the span",
		number: func(e eventRow) float64 { return e.RunningS }},
	{name: "volume_l", unit: "L", decimals: 3, description: "Mains water through the exchanger over the whole event",
		number: func(e eventRow) float64 { return e.VolumeL }},
	{name: "flow_l_min", unit: "L/min", decimals: 3, description: "Mains flow, mean over the steady part",
		number: func(e eventRow) float64 { return e.FlowLMin }},
	{name: "waste_in_c", unit: "Cel", decimals: 3, description: "Waste water entering the exchanger, mean over the steady part, corrected",
		number: func(e eventRow) float64 { return e.WasteInC }},
	{name: "waste_out_c", unit: "Cel", decimals: 3, description: "Waste water leaving the exchanger, mean over the steady part, corrected",
		number: func(e eventRow) float64 { return e.WasteOutC }},
	{name: "cold_in_c", unit: "Cel", decimals: 3, description: "Mains water entering the exchanger, mean over the steady part, corrected",
		number: func(e eventRow) float64 { return e.ColdInC }},
	{name: "preheat_out_c", unit: "Cel", decimals: 3, description: "Preheated water leaving the exchanger, mean over the steady part, corrected",
		number: func(e eventRow) float64 { return e.PreheatOutC }},
	{name: "steady_s", unit: "s", decimals: 1, description: "Length of the steady part, all pieces together",
		number: func(e eventRow) float64 { return e.SteadyS }},
	{name: "heat_kwh", unit: "kW.h", decimals: 6, description: "Heat gained by the mains water over the whole event",
		number: func(e eventRow) float64 { return e.HeatKWh }},
	{name: "heat_u95_kwh", unit: "kW.h", decimals: 6, description: "Expanded uncertainty (k = 2) of heat_kwh",
		number: func(e eventRow) float64 { return e.HeatU95KWh }},
	{name: "effectiveness", unit: "1", decimals: 5, description: "Heat gained over the most that the smaller heat capacity rate could gain, heat-weighted over the steady part",
		number: func(e eventRow) float64 { return e.Effectiveness }},
	{name: "effectiveness_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of effectiveness",
		number: func(e eventRow) float64 { return e.EffectivenessU95 }},
	{name: "expected", unit: "1", decimals: 5, description: "Effectiveness that the rated points give at the event's flows and inlet temperatures",
		number: func(e eventRow) float64 { return e.Expected }},
	{name: "ratio", unit: "1", decimals: 5, description: "effectiveness / expected",
		number: func(e eventRow) float64 { return e.Ratio }},
	{name: "ratio_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of ratio",
		number: func(e eventRow) float64 { return e.RatioU95 }},
	{name: "waste_flow_l_min", unit: "L/min", decimals: 3, description: "Waste-side flow over the steady part, measured where the study has a waste-flow sensor, else inferred",
		number: func(e eventRow) float64 { return e.WasteFlowLMin }},
	{name: "balance", unit: "1", decimals: 4, description: "Heat given up by the waste water / heat gained by the mains water, over the steady part; in connection A without a waste-flow sensor, what it would be at equal flow on both sides",
		number: func(e eventRow) float64 { return e.Balance }},
	{name: "flags", description: "Why a figure is missing or weak, separated by semicolons",
		text: flags},
	{name: "expected_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of expected: of the conversion from the rated flows, not of the certificate",
		number: func(e eventRow) float64 { return e.ExpectedU95 }},
	{name: "event_effectiveness", unit: "1", decimals: 5, description: "Heat gained over the whole event / heat that ideal counterflow recovery would have given over it, transients included",
		number: func(e eventRow) float64 { return e.EventEffectiveness }},
	{name: "event_effectiveness_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of event_effectiveness",
		number: func(e eventRow) float64 { return e.EventEffectivenessU95 }},
	{name: "volume_u95_l", unit: "L", decimals: 3, description: "Expanded uncertainty (k = 2) of volume_l",
		number: func(e eventRow) float64 { return e.VolumeU95L }},
	{name: "effectiveness_own_u95", unit: "1", decimals: 5, description: "The part of effectiveness_u95 that is independent from event to event; what all events of the dwelling share is sqrt(effectiveness_u95^2 - effectiveness_own_u95^2)",
		number: func(e eventRow) float64 { return e.EffectivenessOwnU95 }},
	{name: "ratio_own_u95", unit: "1", decimals: 5, description: "The part of ratio_u95 that is independent from event to event; what all events of the dwelling share is sqrt(ratio_u95^2 - ratio_own_u95^2)",
		number: func(e eventRow) float64 { return e.RatioOwnU95 }},
	{name: "heat_own_u95_kwh", unit: "kW.h", decimals: 6, description: "The part of heat_u95_kwh that is independent from event to event; what all events of the dwelling share is sqrt(heat_u95_kwh^2 - heat_own_u95_kwh^2)",
		number: func(e eventRow) float64 { return e.HeatOwnU95KWh }},
	{name: "temperature_factor", unit: "1", decimals: 5, description: "expected / what the rated points give at the same flows and the inlet temperatures of the certificate's test",
		number: func(e eventRow) float64 { return e.TemperatureFactor }},
}

type findingRow = finding.Finding

var findingCodes = []string{
	string(finding.Fouling), string(finding.StepLoss), string(finding.LowFromStart),
	string(finding.ParallelFlow), string(finding.WasteSensorsSwapped), string(finding.SupplySensorsSwapped),
	string(finding.SensorLoose), string(finding.NoRecovery), string(finding.ConnectionDiffers),
	string(finding.FlowOffScale), string(finding.SensorDrifting), string(finding.SensorDead),
	string(finding.BypassAtTimes), string(finding.Leak), string(finding.Healthy), string(finding.Undecided),
}

var findingColumns = []column[findingRow]{
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file",
		text: func(f findingRow) string { return f.Dwelling }},
	{name: "finding", required: true, oneOf: findingCodes, description: "What the dwelling's events say; healthy where nothing was found, undecided where the data is too short",
		text: func(f findingRow) string { return string(f.Code) }},
	{name: "since", description: "First moment for which the finding holds, UTC; empty where not known",
		at: func(f findingRow) greywatt.Instant { return f.Since }},
	{name: "confidence", unit: "1", decimals: 3, description: "Probability that the finding holds; of undecided that of the likeliest explanation, 0 where nothing was weighed",
		number: func(f findingRow) float64 { return f.Confidence }},
	{name: "evidence", description: "The figures that led to it",
		text: func(f findingRow) string { return f.Evidence }},
	{name: "advice", description: "What to check first, and its cautions",
		text: func(f findingRow) string { return strings.Join(append([]string{f.Advice}, f.Cautions...), " ") }},
	{name: "channel", description: "The channel concerned, where the finding is about one; else empty",
		text: func(f findingRow) string { return f.Channel }},
	{name: "decide", description: "What would decide, and how much of it, where the finding is not sure",
		text: func(f findingRow) string { return f.Decide }},
}

type trendPoint = finding.TrendPoint

var trendColumns = []column[trendPoint]{
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file",
		text: func(p trendPoint) string { return p.Dwelling }},
	{name: "event_id", required: true, description: "The event, as in events.csv",
		text: func(p trendPoint) string { return p.EventID }},
	{name: "at", required: true, description: "The event's place in time, UTC",
		at: func(p trendPoint) greywatt.Instant { return p.At }},
	{name: "ua_ratio", unit: "1", decimals: 5, description: "Conductance of the exchanger / conductance of the rated unit at the same flows and inlet temperatures",
		number: func(p trendPoint) float64 { return p.UARatio }},
	{name: "ua_ratio_u95", unit: "1", decimals: 5, description: "Expanded uncertainty (k = 2) of ua_ratio",
		number: func(p trendPoint) float64 { return p.UARatioU95 }},
	{name: "fit", unit: "1", decimals: 5, description: "The trend of ua_ratio at this event; empty where none is resolved",
		number: func(p trendPoint) float64 { return p.Fit }},
	{name: "fit_lo", unit: "1", decimals: 5, description: "Lower end of the trend's 95 % interval",
		number: func(p trendPoint) float64 { return p.FitLo }},
	{name: "fit_hi", unit: "1", decimals: 5, description: "Upper end of the trend's 95 % interval",
		number: func(p trendPoint) float64 { return p.FitHi }},
	{name: "segment", description: "Counts up at each cleaning and each change found",
		number: func(p trendPoint) float64 { return float64(p.Segment) }},
	{name: "ua_ratio_own_u95", unit: "1", decimals: 5, description: "The part of ua_ratio_u95 that is independent from event to event; empty where not known",
		number: func(p trendPoint) float64 {
			if p.OwnU95 == 0 {
				return math.NaN()
			}
			return p.OwnU95
		}},
}
