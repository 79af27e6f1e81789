package commission

import "math"

// lookS are the steady seconds at which a run is looked at for a verdict: this
// project's choice.
var lookS = [...]float64{60, 120, 240, 480}

// lookSided is the quantile of the normal distribution that each look takes: the
// chance of a wrong verdict is 0.05/4 at each, so that it is 0.05 at most for all
// four, whatever hangs together between them (Bonferroni's inequality).
const lookSided = 2.2414

// A Run judges a unit while the water runs. It looks at fixed lengths of the steady
// part and nowhere else, so that looking often does not make a wrong verdict more
// likely: over the whole run that is at most one chance in twenty. The zero value
// is a run at its beginning.
type Run struct {
	looks   int
	verdict Verdict
	at      float64
}

// See takes the figures so far: the steady part's length, s, the ratio of measured
// to expected effectiveness, and its expanded uncertainty (k = 2). A figure that is
// not known is NaN. It returns the verdict so far; once it is [Pass] or [Fail] it
// stays.
func (r *Run) See(steadyS, ratio, ratioU95 float64) Verdict {
	if r.verdict == "" {
		r.verdict = CannotTell
	}
	if r.verdict != CannotTell || r.looks == len(lookS) || !(steadyS >= lookS[r.looks]) || math.IsNaN(ratio) || !(ratioU95 > 0) {
		return r.verdict
	}
	for r.looks < len(lookS) && steadyS >= lookS[r.looks] {
		r.looks++ // looks that were missed are not made up for
	}
	u := ratioU95 / 2
	switch {
	case ratio-lookSided*u >= LeastRatio:
		r.verdict, r.at = Pass, steadyS
	case ratio+lookSided*u < LeastRatio:
		r.verdict, r.at = Fail, steadyS
	}
	return r.verdict
}

// Next returns the length of the steady part at which it looks next, s; 0 where
// there is nothing more to look at.
func (r *Run) Next() float64 {
	if r.looks == len(lookS) || r.verdict == Pass || r.verdict == Fail {
		return 0
	}
	return lookS[r.looks]
}
