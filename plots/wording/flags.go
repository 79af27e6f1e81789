package wording

import (
	"maps"
	"slices"

	"greywatt/analysis/event"
)

var flagWords = map[event.Flag]string{
	event.FlagGap:            "no readings for part of it",
	event.FlagCutLong:        "still running after six hours, cut there",
	event.FlagNoWasteIn:      "no usable reading of waste in",
	event.FlagNoWasteOut:     "no usable reading of waste out",
	event.FlagNoColdIn:       "no usable reading of cold in",
	event.FlagNoPreheatOut:   "no usable reading of preheat out",
	event.FlagNoSettledFlow:  "too short or too restless to settle",
	event.FlagShortSteady:    "less than a minute steady, so a weaker figure",
	event.FlagSmallSpan:      "waste hardly warmer than the supply",
	event.FlagRoomAssumed:    "room temperature taken from the resting clamps",
	event.FlagOverlap:        "another draw overlaps",
	event.FlagUnbalanced:     "waste heat and mains heat do not agree",
	event.FlagMainsExceeds:   "mains side carries more than the waste side, a leak or another tap",
	event.FlagFromWaste:      "from the fall of the waste side, as preheat out is missing",
	event.FlagDrainInferred:  "waste-side flow inferred from the heat balance",
	event.FlagDrainMixed:     "waste-side flow estimated from the mixing, a weak figure",
	event.FlagExtrapolated:   "flow outside the rated points",
	event.FlagNotPlausible:   "outside what physics allows, see the findings",
	event.FlagReversed:       "mains water left colder than it came",
	event.FlagSlowSampling:   "readings too far apart",
	event.FlagNoWarmWaste:    "no warm waste water on the other side",
	event.FlagDrawWithin:     "another draw within it",
	event.FlagStartHidden:    "its start lies in a gap",
	event.FlagWokenLate:      "node woke late, start and volume estimated",
	event.FlagEndHidden:      "its end lies in a gap",
	event.FlagHeatIncomplete: "heat without the parts that lack a temperature",
	event.FlagSpikes:         "readings that jumped away and back left out",
	event.FlagCoarseMeter:    "coarse flow meter, averages stand for its readings",
}

// Flags returns all flags, in alphabetical order.
func Flags() []event.Flag { return slices.Sorted(maps.Keys(flagWords)) }

// Flag writes a flag as words that fit into a list, in lower case and without a
// full stop. An unknown flag is written with spaces for
// hyphens.
func Flag(f event.Flag) string {
	if s, ok := flagWords[f]; ok {
		return s
	}
	return Plain(f)
}
