package zerocheck

import (
	"math"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/robust"
)

// A Check compares the clamps with each other while nothing has run for
// hours and all of them stand at the room's temperature. It finds what one
// clamp reads more than the others; what all read too much it cannot see. It
// suggests and never applies.
type Check struct {
	dwelling *greywatt.Dwelling // with the description in force
	whole    *greywatt.Dwelling // with all of them
	change   greywatt.Instant   // of the next one; 0: there is none
	lastFlow greywatt.Instant
	hour     restHour
	diffs    [4][]float64 // K, of each rest hour, reading less the mean of the four
	last     greywatt.Instant
}

// restHour collects one hour of rest, in two halves.
type restHour struct {
	from greywatt.Instant
	n    [4][2]int
	sum  [4][2]float64
}

const (
	restBeforeS  = 4 * 3600.0 // s without flow before the clamps count as at rest
	roomDriftK   = 0.4        // most that all of them may wander together from half hour to half hour: pipes follow the room late
	restDriftK   = 0.10       // and one of them beyond that
	restSpreadK  = 3.0        // further apart than this the pipes are not at one temperature, whatever the clamps do
	gradientU    = 0.08       // K, standard uncertainty of the room being one temperature at all four clamps: common practice
	enoughRests  = 5          // rest hours for a suggestion
	restReadings = 8          // a channel in half an hour
	hourS        = 3600.0
)

// New returns a check of a dwelling's four clamps.
func New(d *greywatt.Dwelling) *Check {
	z := &Check{dwelling: d.At(math.MinInt64), whole: d}
	z.change, _ = d.NextChange(math.MinInt64)
	return z
}

// Push takes the next frames, in time order.
func (z *Check) Push(frames []greywatt.Frame) {
	for i := range frames {
		f := &frames[i]
		z.last = f.At
		if z.change != 0 && f.At >= z.change { // what was compared before is of other clamps or offsets
			z.dwelling = z.whole.At(f.At)
			z.change, _ = z.whole.NextChange(f.At)
			z.hour, z.diffs = restHour{}, [4][]float64{}
		}
		if _, out := z.whole.LeftOutIn(f.At, f.At); out {
			z.hour = restHour{}
			continue
		}
		if q := f.Value[greywatt.Flow]; q*event.LMinPerLS >= event.FlowingLMin {
			z.lastFlow = f.At
			z.hour = restHour{}
		}
		if z.lastFlow == 0 {
			z.lastFlow = f.At // the first frame: how long it has rested is not known
		}
		if f.At.Sub(z.lastFlow) < restBeforeS {
			continue
		}
		if z.hour.from == 0 || f.At.Sub(z.hour.from) >= hourS {
			z.closeHour()
			z.hour = restHour{from: f.At}
		}
		for c := range greywatt.Channel(greywatt.NumPorts) {
			v := f.Value[c]
			if math.IsNaN(v) {
				continue
			}
			s, ok := z.dwelling.Sensor(c, f.Node)
			if !ok {
				continue
			}
			v -= s.OffsetK
			half := 0
			if f.At.Sub(z.hour.from) >= hourS/2 {
				half = 1
			}
			z.hour.n[c][half]++
			z.hour.sum[c][half] += v
		}
	}
}

func (z *Check) closeHour() {
	h := &z.hour
	var mean, drift [4]float64
	var all, drifts float64
	for c := range mean {
		if min(h.n[c][0], h.n[c][1]) < restReadings {
			return
		}
		first, second := h.sum[c][0]/float64(h.n[c][0]), h.sum[c][1]/float64(h.n[c][1])
		mean[c], drift[c] = (first+second)/2, second-first
		all += mean[c] / 4
		drifts += drift[c] / 4
	}
	if math.Abs(drifts) > roomDriftK {
		return
	}
	for c := range mean {
		if math.Abs(drift[c]-drifts) > restDriftK || math.Abs(mean[c]-all) > restSpreadK {
			return
		}
	}
	for c := range mean {
		z.diffs[c] = append(z.diffs[c], mean[c]-all)
	}
}

// Rests returns how many rest hours there were and how many a suggestion needs.
func (z *Check) Rests() (have, want int) {
	z.closeHour()
	z.hour = restHour{}
	return len(z.diffs[0]), enoughRests
}

// An Suggestion is what the rest hours say of one clamp.
type Suggestion struct {
	Channel   greywatt.Channel
	Rests     int     // rest hours used
	DeclaredK float64 // offset_k of the study file
	ExtraK    float64 // what the corrected clamp still reads above the mean of the four
	U95K      float64 // expanded uncertainty of ExtraK, k = 2
	NewK      float64 // offset_k that would take ExtraK away
	Advised   bool    // ExtraK is beyond its uncertainty and beyond half of the declared u95_k
}

// Suggestions returns one row a clamp, or nil where there were too few hours of
// rest. The uncertainty holds the scatter from rest to rest and the room not
// being one temperature everywhere (0.08 K, common practice); the mean of the
// four clamps stands in for the true temperature, so the suggestions add to
// zero.
func (z *Check) Suggestions() []Suggestion {
	z.closeHour()
	z.hour = restHour{}
	if len(z.diffs[0]) < enoughRests {
		return nil
	}
	out := make([]Suggestion, 0, greywatt.NumPorts)
	for c := range greywatt.Channel(greywatt.NumPorts) {
		n := float64(len(z.diffs[c]))
		center, scatter := robust.MedianAndSpread(z.diffs[c])
		s := Suggestion{Channel: c, Rests: len(z.diffs[c]), ExtraK: center}
		// hours of one night hang together: count six as one
		s.U95K = 2 * math.Hypot(gradientU, scatter/math.Sqrt(max(1, n/6)))
		sensor := z.declared(c)
		s.DeclaredK = sensor.OffsetK
		s.NewK = s.DeclaredK + s.ExtraK
		s.Advised = math.Abs(s.ExtraK) > s.U95K && math.Abs(s.ExtraK) > sensor.U95K/2
		out = append(out, s)
	}
	return out
}

// declared returns the study file's sensor for the channel, whichever its node.
func (z *Check) declared(c greywatt.Channel) greywatt.Sensor {
	for _, s := range z.dwelling.Sensors {
		if s.Channel == c {
			return s
		}
	}
	return greywatt.DefaultSensor(c)
}
