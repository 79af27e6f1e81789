package plots

import (
	"greywatt/analysis"
	"greywatt/plots/wording"
)

var flagWords = map[analysis.Flag]string{
	analysis.FlagGap:            "no readings for part of it",
	analysis.FlagCutLong:        "still running after six hours, cut there",
	analysis.FlagNoWasteIn:      "no sensor on waste in",
	analysis.FlagNoWasteOut:     "no sensor on waste out",
	analysis.FlagNoColdIn:       "no sensor on cold in",
	analysis.FlagNoPreheatOut:   "no sensor on preheat out",
	analysis.FlagNoSettledFlow:  "too short or too restless to settle",
	analysis.FlagShortSteady:    "less than a minute steady, so a weaker figure",
	analysis.FlagSmallSpan:      "waste hardly warmer than the supply",
	analysis.FlagRoomAssumed:    "room temperature taken from the resting clamps",
	analysis.FlagOverlap:        "another draw overlaps",
	analysis.FlagUnbalanced:     "drain heat and mains heat do not agree",
	analysis.FlagDrainInferred:  "drain flow inferred from the heat balance",
	analysis.FlagDrainMixed:     "drain flow estimated from the mixing, a weak figure",
	analysis.FlagExtrapolated:   "flow outside the rated points",
	analysis.FlagNotPlausible:   "outside what physics allows, see the findings",
	analysis.FlagReversed:       "mains water left colder than it came",
	analysis.FlagSlowSampling:   "readings too far apart",
	analysis.FlagNoWarmWaste:    "no warm waste water on the other side",
	analysis.FlagDrawWithin:     "another draw within it",
	analysis.FlagStartHidden:    "its start lies in a gap",
	analysis.FlagEndHidden:      "its end lies in a gap",
	analysis.FlagHeatIncomplete: "heat without the parts that lack a temperature",
	analysis.FlagSpikes:         "readings that jumped away and back left out",
	analysis.FlagCoarseMeter:    "coarse flow meter, averages stand for its readings",
}

// FlagWords says a flag in words that fit into a list, in lower case and
// without a full stop. A flag it does not know it writes with spaces for
// hyphens.
func FlagWords(f analysis.Flag) string {
	if s, ok := flagWords[f]; ok {
		return s
	}
	return wording.Plain(f)
}
