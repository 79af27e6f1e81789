// Package wording writes figures, counts and names for readers: charts, pages
// and report say the same in the same form.
//
// It is for British English and for nouns whose plural takes an s. It rounds for
// reading only; what is computed with or exported is not to pass through it.
package wording

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Unknown stands where a figure is not known.
const Unknown = "–"

// Fixed writes v with the given decimals and a true minus sign, never as minus
// nought; [Unknown] where v is not finite.
func Fixed(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Unknown
	}
	return Signed(strconv.FormatFloat(v, 'f', decimals, 64))
}

// Signed gives a formatted number a true minus sign, and nought none.
func Signed(number string) string {
	digits, negative := strings.CutPrefix(number, "-")
	if !negative || strings.Trim(digits, "0.") == "" {
		return digits
	}
	return "−" + digits
}

// PlusMinus writes v ± u95 with the decimals of [Decimals]; v alone, with the
// given decimals, where u95 is not a positive number; [Unknown] where v is not
// finite.
func PlusMinus(v, u95 float64, decimals, most int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) || !(u95 > 0) || math.IsInf(u95, 1) {
		return Fixed(v, decimals)
	}
	decimals = Decimals(u95, most)
	return Fixed(v, decimals) + " ± " + Fixed(u95, decimals)
}

// Decimals returns how many decimals a figure with the expanded uncertainty u95,
// positive and finite, is worth: as many as leave the uncertainty one digit, or
// two where the first is 1 or 2, and at most the given ones. JCGM 100, 7.2.6
// allows no more than two digits.
func Decimals(u95 float64, most int) int {
	exp := math.Floor(math.Log10(u95))
	decimals := -int(exp)
	if u95/math.Pow(10, exp) < 2.95 {
		decimals++
	}
	return min(max(decimals, 0), most)
}

// WithUnit appends a unit to a figure that is known.
func WithUnit(figure, unit string) string {
	if figure == Unknown {
		return figure
	}
	return figure + " " + unit
}

// Length writes a stretch of time, in seconds, by the second or, from an hour
// on, by the minute, as in "7 min 12 s"; [Unknown] where it is not finite.
func Length(seconds float64) string {
	if math.IsNaN(seconds) || math.IsInf(seconds, 0) {
		return Unknown
	}
	s := int64(math.Round(seconds))
	switch {
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case s < 3600 && s%60 == 0:
		return fmt.Sprintf("%d min", s/60)
	case s < 3600:
		return fmt.Sprintf("%d min %d s", s/60, s%60)
	}
	return fmt.Sprintf("%d h %d min", s/3600, s%3600/60)
}

// Count writes a number of things, as in "1 event" and "12 events".
func Count(n int, thing string) string {
	if n != 1 {
		thing += "s"
	}
	return fmt.Sprintf("%d %s", n, thing)
}

// Sure writes the probability of a finding, as in "97 % sure". Nothing is ever
// said to be surer than 99 %.
func Sure(probability float64) string {
	return fmt.Sprintf("%.0f %% sure", 100*math.Min(probability, 0.99))
}

// Plain writes a name of the vocabulary as words.
func Plain[S ~string](name S) string { return strings.ReplaceAll(string(name), "-", " ") }

// Capital gives s a capital.
func Capital(s string) string {
	if s == "" {
		return s
	}
	r := []rune(s)
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}

// Sentence starts s with a capital and ends it with a full stop, unless it ends
// like a sentence already.
func Sentence(s string) string {
	s = Capital(strings.TrimSpace(s))
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") || strings.HasSuffix(s, "…") {
		return s
	}
	return s + "."
}
