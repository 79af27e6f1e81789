package report

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/plots"
)

// none stands where a figure is not known.
const none = "–"

// number writes v with a true minus sign.
func number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return none
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if rest, negative := strings.CutPrefix(s, "-"); negative {
		if strings.Trim(rest, "0.") == "" {
			return rest
		}
		return "−" + rest
	}
	return s
}

// plusMinus writes v ± u95 with two digits of u95 where its first is 1 or 2,
// else one, and at most the given decimals; JCGM 100, 7.2.6 allows no more than
// two.
func plusMinus(v, u95 float64, most int) string {
	switch {
	case math.IsNaN(v):
		return none
	case math.IsNaN(u95) || u95 <= 0:
		return number(v, most)
	}
	exp := math.Floor(math.Log10(u95))
	decimals := -int(exp)
	if u95/math.Pow(10, exp) < 2.95 {
		decimals++
	}
	decimals = min(max(decimals, 0), most)
	return number(v, decimals) + " ± " + number(u95, decimals)
}

// fixed writes v ± u95 with the given decimals, for columns.
func fixed(v, u95 float64, decimals int) string {
	if math.IsNaN(v) || math.IsNaN(u95) {
		return number(v, decimals)
	}
	return number(v, decimals) + " ± " + number(u95, decimals)
}

func withUnit(s, unit string) string {
	if s == none {
		return s
	}
	return s + " " + unit
}

func percent(share float64) string { return withUnit(number(100*share, 1), "%") }

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func money(sums []analysis.Money) string {
	if len(sums) == 0 {
		return none
	}
	words := make([]string, len(sums))
	for i, m := range sums {
		words[i] = plusMinus(m.Saved, m.U95, 2) + " " + m.Currency
	}
	return strings.Join(words, ", ")
}

func date(at greywatt.Instant, zone *time.Location) string {
	if at == 0 {
		return none
	}
	return at.Time().In(zone).Format("2 January 2006")
}

func minute(at greywatt.Instant, zone *time.Location) string {
	return at.Time().In(zone).Format("2006-01-02 15:04")
}

// minus gives the numbers in a sentence true minus signs.
func minus(s string) string { return hyphen.ReplaceAllString(s, "$1−$2") }

var hyphen = regexp.MustCompile(`(^|[ (])-(\d)`)

// plain writes a name of the vocabulary as words.
func plain[S ~string](s S) string { return strings.ReplaceAll(string(s), "-", " ") }

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// reason says why an event was not used: a flag of its own, or a finding about
// the sensors.
func reason(f analysis.Flag) string {
	switch c := analysis.Code(f); c {
	case analysis.SensorLoose, analysis.FlowOffScale, analysis.WasteSensorsSwapped, analysis.SupplySensorsSwapped, analysis.ConnectionDiffers:
		return "after the finding “" + plain(c) + "”"
	}
	return plots.FlagWords(f)
}

// channels names channels, all of the needed ones in a word.
func channels(cs []greywatt.Channel) string {
	if len(cs) == int(greywatt.Flow)+1 {
		return "all channels"
	}
	names := make([]string, len(cs))
	for i, c := range cs {
		names[i] = plain(c.String())
	}
	return strings.Join(names, ", ")
}

var connections = map[greywatt.Connection]string{
	greywatt.ConnectionA: "mixer and heater",
	greywatt.ConnectionB: "mixer only",
	greywatt.ConnectionC: "heater only",
}
