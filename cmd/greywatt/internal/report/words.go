package report

import (
	"math"
	"regexp"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/plots/wording"
)

// plusMinus writes v ± u95 with the given decimals at most.
func plusMinus(v, u95 float64, most int) string { return wording.PlusMinus(v, u95, most, most) }

// fixed writes v ± u95 with the given decimals, for columns.
func fixed(v, u95 float64, decimals int) string {
	if math.IsNaN(v) || math.IsNaN(u95) {
		return wording.Fixed(v, decimals)
	}
	return wording.Fixed(v, decimals) + " ± " + wording.Fixed(u95, decimals)
}

func percent(share float64) string { return wording.WithUnit(wording.Fixed(100*share, 1), "%") }

func money(sums []summary.Money) string {
	if len(sums) == 0 {
		return wording.Unknown
	}
	words := make([]string, len(sums))
	for i, m := range sums {
		words[i] = plusMinus(m.Saved, m.U95, 2) + " " + m.Currency
	}
	return strings.Join(words, ", ")
}

func date(at greywatt.Instant, zone *time.Location) string {
	if at == 0 {
		return wording.Unknown
	}
	return at.Time().In(zone).Format("2 January 2006")
}

func minute(at greywatt.Instant, zone *time.Location) string {
	return at.Time().In(zone).Format("2006-01-02 15:04")
}

// minus gives the numbers in a sentence true minus signs.
func minus(s string) string { return hyphen.ReplaceAllString(s, "$1−$2") }

var hyphen = regexp.MustCompile(`(^|[ (])-(\d)`)

// reason says why an event was not used: a flag of its own, or a finding about
// the sensors.
func reason(f event.Flag) string {
	switch c := finding.Code(f); c {
	case finding.SensorLoose, finding.FlowOffScale, finding.WasteSensorsSwapped, finding.SupplySensorsSwapped, finding.ConnectionDiffers, finding.SensorDrifting, finding.SensorDead:
		return "after the finding “" + wording.Plain(c) + "”"
	}
	return wording.Flag(f)
}

// channels names channels, all of the needed ones in a word.
func channels(cs []greywatt.Channel) string {
	if len(cs) == int(greywatt.Flow)+1 {
		return "all channels"
	}
	names := make([]string, len(cs))
	for i, c := range cs {
		names[i] = wording.Plain(c.String())
	}
	return strings.Join(names, ", ")
}

var connections = map[greywatt.Connection]string{
	greywatt.ConnectionA: "mixer and heater",
	greywatt.ConnectionB: "mixer only",
	greywatt.ConnectionC: "heater only",
}
