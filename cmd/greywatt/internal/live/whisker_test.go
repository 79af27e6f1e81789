package live

import (
	"math"
	"strings"
	"testing"
)

// A ratio within the scale is a dot where it belongs; one beyond it an arrow head at
// that end, and its bar ends where the scale does.
func TestRatioOnItsScale(t *testing.T) {
	f := newFullPage(t, 2)
	for _, test := range []struct {
		ratio, u95 float64
		bar, dot   string
		beyond     bool
	}{
		{1, 0.1, "M85 8H115", "M100 8h0", false},
		{1.2, 0.02, "M127 8H130", "M130 8h0", false},
		{1.31, 0.2, "M116.5 8H130", "M131 3l6 5l-6 5", true},
		{0.3, 0.2, "M10 8H25", "M9 3l-6 5l6 5", true},
		{0.4, math.NaN(), "M10 8H10", "M10 8h0", false},
	} {
		latest := *f.d.past.Latest
		latest.Ratio, latest.RatioU95 = test.ratio, test.u95
		f.d.past.Latest = &latest
		r := f.d.row(f.Page.clock())
		text := fragment("row", &r)
		for _, want := range []string{`class="range" d="` + test.bar + `"`, `d="` + test.dot + `"`} {
			if !strings.Contains(text, want) {
				t.Errorf("%g: no %s in\n%s", test.ratio, want, text)
			}
		}
		if got := strings.Contains(text, "beyond the scale"); got != (test.beyond) {
			t.Errorf("%g: said to be beyond the scale: %t", test.ratio, got)
		}
	}
}
