package zerocheck

import (
	"math"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/analysis/robust"
)

const (
	restSpreadK = 3.0  // K; further apart than this the pipes are not at one temperature, whatever the clamps do
	enoughRests = 3    // rests for a suggestion
	leastNoiseK = 0.02 // K, of a clamp from rest to rest
)

// A Suggestion is what rests, or clamps held together, say of one clamp.
type Suggestion struct {
	Channel   greywatt.Channel
	Rests     int     // rests used
	Hours     int     // that they were compared for
	DeclaredK float64 // offset_k of the study file
	ExtraK    float64 // what the corrected clamp still reads above the mean of the four, those that drift left out
	U95K      float64 // expanded uncertainty of ExtraK, k = 2
	NewK      float64 // offset_k that would take ExtraK away
	Advised   bool    // ExtraK is beyond its uncertainty and beyond half of the declared u95_k, and the clamp does not drift
	Drifts    bool    // its error changes over the record: no offset puts it right
}

// AtRest compares the clamps with each other by the rests of a record, the
// dwelling's as [health.Watch] gives it: while nothing has run for hours all of
// them stand at the room's temperature. It finds what one clamp reads more than the others;
// what all read too much it cannot see. It suggests and never applies.
//
// It returns one row a clamp, none where there were too few rests; have is how many
// there were, want how many a suggestion needs. A rest counts that has all four clamps within 3 K of
// their mean, and in which no cold water moves. The uncertainty holds the scatter from rest to rest and the room not
// being one temperature everywhere ([health.RoomU]), each against the mean of four; the mean of the
// clamps stands in for the true temperature, so the suggestions add to zero where none drifts.
func AtRest(d *greywatt.Dwelling, r *health.Record) (rows []Suggestion, have, want int) {
	d = d.At(r.Last)
	var drifts [greywatt.NumPorts]bool
	sound := greywatt.NumPorts
	for _, x := range r.Drifting {
		if x.Channel.IsPort() && sound > 2 {
			drifts[x.Channel] = true
			sound--
		}
	}
	var diffs [greywatt.NumPorts][]float64
	var first, last greywatt.Instant
	var hours float64
	for i := range r.Rests {
		rest := &r.Rests[i]
		if !rest.Still() {
			continue
		}
		var mean float64
		for c := range greywatt.NumPorts {
			if !drifts[c] {
				mean += rest.ClampC[c] / float64(sound)
			}
		}
		together := true
		for c := range greywatt.NumPorts {
			together = together && math.Abs(rest.ClampC[c]-mean) <= restSpreadK // not where one is not known
		}
		if !together {
			continue
		}
		for c := range diffs {
			diffs[c] = append(diffs[c], rest.ClampC[c]-mean)
		}
		if first == 0 {
			first = rest.From
		}
		last = rest.To
		hours += rest.To.Sub(rest.From) / 3600
	}
	have = len(diffs[0])
	if have < enoughRests {
		return nil, have, enoughRests
	}
	room := health.RoomU(last.Sub(first) / 86400)
	for c := range greywatt.Channel(greywatt.NumPorts) {
		center, scatter := robust.MedianAndSpread(diffs[c])
		s := Suggestion{Channel: c, Rests: have, Hours: int(math.Round(hours)), ExtraK: center, Drifts: drifts[c]}
		part := 1 - 1/float64(sound) // of the variance of one clamp, against the mean that it is in
		if drifts[c] {
			part = 1 + 1/float64(sound)
		}
		s.U95K = 2 * math.Sqrt(part*room*room+math.Pow(max(scatter, leastNoiseK), 2)/float64(have))
		s.fill(d)
		s.Advised = s.Advised && !s.Drifts
		rows = append(rows, s)
	}
	return rows, have, enoughRests
}

// fill takes in what the study file declares of the clamp.
func (s *Suggestion) fill(d *greywatt.Dwelling) {
	sensor := greywatt.DefaultSensor(s.Channel)
	for _, x := range d.Sensors {
		if x.Channel == s.Channel { // whichever its node
			sensor = x
			break
		}
	}
	s.DeclaredK = sensor.OffsetK
	s.NewK = s.DeclaredK + s.ExtraK
	s.Advised = math.Abs(s.ExtraK) > s.U95K && math.Abs(s.ExtraK) > sensor.U95K/2
}
