package cli

import (
	"fmt"
	"math"
)

// Figure writes a figure, nothing where it is not known.
func Figure(v float64, decimals int) string {
	if math.IsNaN(v) {
		return ""
	}
	return fmt.Sprintf("%.*f", decimals, v)
}

// WithU95 writes a figure with its expanded uncertainty.
func WithU95(v, u95 float64, decimals int) string {
	if math.IsNaN(v) || math.IsNaN(u95) {
		return Figure(v, decimals)
	}
	return fmt.Sprintf("%.*f ± %.*f", decimals, v, decimals, u95)
}

func Minutes(seconds float64) string {
	s := int(math.Round(seconds))
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}
