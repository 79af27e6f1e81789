// Package annual makes a year of what was logged for a part of one: heat recovered,
// with the season of the mains water, the household's habits and the missing time,
// and how uncertain that makes it. It assumes that the household goes on as it did.
package annual

import (
	"errors"
	"math"
	"time"

	"gonum.org/v1/gonum/mat"

	"greywatt"
	"greywatt/analysis/robust"
)

// A Shower is a draw with warm waste water.
type Shower struct {
	At                greywatt.Instant
	HeatKWh           float64 // gained by the mains water; NaN where it does not count
	ColdInC, WasteInC float64 // °C, over its steady part; NaN where not known
}

// A Record is what was logged of a dwelling.
type Record struct {
	From, To greywatt.Instant
	Zone     *time.Location                          // for days and seasons
	Showers  []Shower                                // in time order
	Covered  func(from, to greywatt.Instant) float64 // share of a stretch that has readings, 0 to 1
}

// A Season is the mains temperature over a year, °C, on day d of it:
//
//	MeanC + CosC·cos(2π(d-46)/365.25) + SinC·sin(2π(d-46)/365.25)
type Season struct{ MeanC, CosC, SinC float64 }

// Day 46 is about the coldest of the mains in the north (J. Burch, C. Christensen,
// ASES 2007: day 44 to 50 for three climates).
const coldest = 46

const yearDays = 365.25

func wave(day float64) (cos, sin float64) {
	phase := 2 * math.Pi * (day - coldest) / yearDays
	return math.Cos(phase), math.Sin(phase)
}

// At returns the temperature, °C, on a day of the year, 1 being 1 January.
func (s Season) At(day float64) float64 {
	cos, sin := wave(day)
	return s.MeanC + s.CosC*cos + s.SinC*sin
}

// A Year is an estimate of what a dwelling recovers in a year.
type Year struct {
	HeatKWh  float64
	Measured float64 // kWh, the heat that it is made of
	Days     float64 // with readings, incomplete ones in parts
	Showers  float64 // a year
	Lost     int     // showers whose heat does not count: taken to be like the others
	Season   Season

	// Standard uncertainties of HeatKWh, kWh, beside that of the measured heat.
	Habits float64 // what other weeks would have been like; the dwelling's own
	Mains  float64 // of the season, and of what it does to the heat; neighbours share it
	Losses float64 // of the showers that do not count
}

// Factor is the year's heat over the measured.
func (y *Year) Factor() float64 { return y.HeatKWh / y.Measured }

// U returns the standard uncertainty of HeatKWh without that of the measured heat.
func (y *Year) U() float64 { return math.Hypot(math.Hypot(y.Habits, y.Mains), y.Losses) }

// ErrTooShort says that a record is too short or too poor for a year.
var ErrTooShort = errors.New("annual: fewer than fourteen days of readings, or fewer than ten showers with heat, or more without")

// What stands where the record is silent; the choices are this project's.
const (
	leastDays, leastShowers = 14, 10

	// The season's wave before any data: the Burch and Christensen form for a
	// temperate climate has 5.8 K; maritime and continental ones lie within 2.5 K, and
	// the coldest day within 20 days, which is 2 K of the sine.
	waveK, waveUK, phaseUK = 5.8, 2.5, 2.0

	memoryDays = 7    // days of mains temperature hang together
	leastNoise = 0.7  // K, of a day's temperature about the season
	habitsYear = 0.05 // of the heat: how months that were not seen differ in habits
	seasonErr  = 0.2  // of the season's correction: heat is not exactly proportional to the span
	leastSpanK = 5.0
	blockDays  = 7
)

// Of estimates a year. Heat is taken to be proportional to the span between waste
// water and mains, and the household to shower as it did: time without readings is
// filled with the mean. It returns [ErrTooShort] for less than a
// fortnight, and where the heat of most showers does not count.
func Of(r *Record) (Year, error) {
	days := r.days()
	var y Year
	var showers int
	var waste []float64
	for i := range r.Showers {
		s := &r.Showers[i]
		if math.IsNaN(s.HeatKWh) {
			y.Lost++
			continue
		}
		showers++
		y.Measured += s.HeatKWh
		if !math.IsNaN(s.WasteInC) {
			waste = append(waste, s.WasteInC)
		}
	}
	for i := range days {
		y.Days += days[i].covered
	}
	season, covariance, ok := fit(days, southern(r.Zone))
	if y.Days < leastDays || showers < leastShowers || y.Lost > showers || !ok || len(waste) == 0 || !(y.Measured > 0) {
		return Year{}, ErrTooShort
	}
	y.Season = season
	wasteC := robust.Median(waste)
	factor := correction(days, season, wasteC)
	lost := float64(y.Lost) / float64(showers)
	y.HeatKWh = y.Measured * (1 + lost) * factor * yearDays / y.Days
	y.Showers = float64(showers+y.Lost) * yearDays / y.Days
	// a lost shower had between nothing and twice the mean
	y.Losses = y.HeatKWh * lost / (1 + lost) / math.Sqrt(3)
	y.Mains = y.HeatKWh * math.Hypot(slope(days, season, covariance, wasteC)/factor, seasonErr*(factor-1)/factor)
	unseen := max(0, 1-y.Days/yearDays)
	weekly := weeks(days, season, wasteC)
	y.Habits = y.HeatKWh * math.Hypot(weekly*math.Sqrt(unseen), habitsYear*unseen)
	return y, nil
}

// A day is what was logged on it.
type day struct {
	ofYear  float64
	covered float64 // share of it
	heat    float64 // kWh
	coldC   float64 // median; NaN without showers
}

func (r *Record) days() []day {
	if r.To <= r.From {
		return nil
	}
	var out []day
	first := r.From.Time().In(r.Zone)
	next := 0
	for date := time.Date(first.Year(), first.Month(), first.Day(), 0, 0, 0, 0, r.Zone); ; date = date.AddDate(0, 0, 1) {
		from, to := greywatt.InstantOf(date), greywatt.InstantOf(date.AddDate(0, 0, 1))
		if from >= r.To {
			return out
		}
		d := day{ofYear: float64(date.YearDay()), covered: r.Covered(from, to)}
		if math.IsNaN(d.covered) {
			d.covered = 0
		}
		var cold []float64
		for ; next < len(r.Showers) && r.Showers[next].At < to; next++ {
			s := &r.Showers[next]
			if !math.IsNaN(s.HeatKWh) {
				d.heat += s.HeatKWh
			}
			if !math.IsNaN(s.ColdInC) {
				cold = append(cold, s.ColdInC)
			}
		}
		d.coldC = math.NaN()
		if len(cold) > 0 {
			d.coldC = robust.Median(cold)
		}
		out = append(out, d)
	}
}

// southern reports whether the zone's clocks go forward in its summer, which is
// January; a zone whose clocks stay is taken to be in the north.
func southern(zone *time.Location) bool {
	_, january := time.Date(2025, 1, 15, 12, 0, 0, 0, zone).Zone()
	_, july := time.Date(2025, 7, 15, 12, 0, 0, 0, zone).Zone()
	return january > july
}

// fit returns the season by least squares with the prior, and its covariance.
func fit(days []day, south bool) (Season, *mat.Dense, bool) {
	prior := [3]float64{0, -waveK, 0}
	if south {
		prior[1] = waveK
	}
	weight := [3]float64{1e-6, 1 / (waveUK * waveUK), 1 / (phaseUK * phaseUK)}
	noise := 1.0
	var x [3]float64
	var inverse mat.Dense
	for range 3 {
		normal, right := mat.NewDense(3, 3, nil), mat.NewVecDense(3, nil)
		for k := range prior {
			normal.Set(k, k, weight[k])
			right.SetVec(k, weight[k]*prior[k])
		}
		var n, squares float64
		for i := range days {
			if math.IsNaN(days[i].coldC) {
				continue
			}
			n++
			cos, sin := wave(days[i].ofYear)
			row := [3]float64{1, cos, sin}
			residual := days[i].coldC
			for a := range row {
				residual -= row[a] * x[a]
				right.SetVec(a, right.AtVec(a)+row[a]*days[i].coldC/(noise*noise*memoryDays))
				for b := range row {
					normal.Set(a, b, normal.At(a, b)+row[a]*row[b]/(noise*noise*memoryDays))
				}
			}
			squares += residual * residual
		}
		if n == 0 || inverse.Inverse(normal) != nil {
			return Season{}, nil, false
		}
		if x != ([3]float64{}) {
			noise = max(leastNoise, math.Sqrt(squares/n))
		}
		var is mat.VecDense
		is.MulVec(&inverse, right)
		x = [3]float64{is.AtVec(0), is.AtVec(1), is.AtVec(2)}
	}
	return Season{x[0], x[1], x[2]}, &inverse, true
}

// span is what a shower's heat is proportional to.
func span(wasteC, coldC float64) float64 { return max(leastSpanK, wasteC-coldC) }

// correction returns the mean span over a year over that of the covered days.
func correction(days []day, s Season, wasteC float64) float64 {
	var year, seen, covered float64
	for d := 1; d <= 365; d++ {
		year += span(wasteC, s.At(float64(d))) / 365
	}
	for i := range days {
		covered += days[i].covered
		seen += days[i].covered * span(wasteC, s.At(days[i].ofYear))
	}
	return year * covered / seen
}

// slope returns the standard uncertainty of the correction, by its derivatives
// after the season's parameters.
func slope(days []day, s Season, covariance *mat.Dense, wasteC float64) float64 {
	const h = 0.01
	at := func(k int, by float64) float64 {
		t := s
		*[]*float64{&t.MeanC, &t.CosC, &t.SinC}[k] += by
		return correction(days, t, wasteC)
	}
	var g [3]float64
	for k := range g {
		g[k] = (at(k, h) - at(k, -h)) / (2 * h)
	}
	var v float64
	for a := range g {
		for b := range g {
			v += g[a] * g[b] * covariance.At(a, b)
		}
	}
	return math.Sqrt(max(0, v))
}

// weeks returns the relative standard uncertainty of the mean heat a day that its
// scatter from week to week shows, the season taken out.
func weeks(days []day, s Season, wasteC float64) float64 {
	var rates []float64
	for from := 0; from+blockDays <= len(days); from += blockDays {
		var heat, covered float64
		for i := from; i < from+blockDays; i++ {
			heat += days[i].heat / span(wasteC, s.At(days[i].ofYear))
			covered += days[i].covered
		}
		if covered >= blockDays/2.0 {
			rates = append(rates, heat/covered)
		}
	}
	n := float64(len(rates))
	if n < 2 {
		return 0.5 // a fortnight with gaps: nothing is known of other weeks
	}
	var mean, squares float64
	for _, v := range rates {
		mean += v / n
	}
	for _, v := range rates {
		squares += (v - mean) * (v - mean) / (n - 1)
	}
	if !(mean > 0) {
		return 0.5
	}
	return math.Sqrt(squares/n) / mean
}
