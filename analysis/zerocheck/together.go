package zerocheck

import (
	"fmt"
	"math"

	"greywatt"
)

// Choices of this project for clamps that are held together.
const (
	togetherS        = 20 * 60.0 // s of readings that are looked at
	togetherLeastS   = 15 * 60.0 // s that they have to cover
	togetherReadings = 10        // a clamp needs
	togetherU        = 0.03      // K, standard uncertainty of clamps taped together and wrapped being at one temperature
	togetherDriftK   = 0.10      // most that one may move against the others from the first half to the second
)

// Together compares clamps that were taken off their pipes, taped together and
// wrapped, by the last twenty minutes of frames, which are in time order. Where
// that cannot be done, why says what is missing. The mean of the four stands in
// for the true temperature, as in [AtRest]; the uncertainty holds each
// clamp's scatter, its movement against the others, and 0.03 K for the bundle not
// being at one temperature, this project's choice. Where three agree and one is off, it is the mean of
// the three.
func Together(d *greywatt.Dwelling, frames []greywatt.Frame) (rows []Suggestion, why string) {
	if len(frames) == 0 {
		return nil, "no readings"
	}
	last := frames[len(frames)-1].At
	from := last.Add(-togetherS)
	half := last.Add(-togetherS / 2)
	d = d.At(last)
	var n, sum, square [greywatt.NumPorts][2]float64
	var first [greywatt.NumPorts]greywatt.Instant
	for i := range frames {
		f := &frames[i]
		if f.At < from {
			continue
		}
		part := 0
		if f.At >= half {
			part = 1
		}
		for c := range greywatt.Channel(greywatt.NumPorts) {
			v := f.Value[c]
			if math.IsNaN(v) {
				continue
			}
			s, ok := d.Sensor(c, f.Node)
			if !ok {
				continue
			}
			if first[c] == 0 {
				first[c] = f.At
			}
			v -= s.OffsetK
			n[c][part]++
			sum[c][part] += v
			square[c][part] += v * v
		}
	}
	var mean, drift, scatter [greywatt.NumPorts]float64
	var all, drifts float64
	for c := range greywatt.Channel(greywatt.NumPorts) {
		count := n[c][0] + n[c][1]
		switch {
		case count == 0:
			return nil, fmt.Sprintf("no readings of %s in the last twenty minutes", c)
		case last.Sub(first[c]) < togetherLeastS || count < togetherReadings || min(n[c][0], n[c][1]) == 0:
			return nil, fmt.Sprintf("%s has %.0f readings over %.0f minutes; it takes %d over %.0f", c, count, last.Sub(first[c])/60, togetherReadings, togetherLeastS/60)
		}
		early, late := sum[c][0]/n[c][0], sum[c][1]/n[c][1]
		mean[c], drift[c] = (early+late)/2, late-early
		within := square[c][0] - n[c][0]*early*early + square[c][1] - n[c][1]*late*late
		scatter[c] = math.Sqrt(max(0, within)/max(1, count-2)) / math.Sqrt(count)
		all += mean[c] / greywatt.NumPorts
		drifts += drift[c] / greywatt.NumPorts
	}
	for c := range greywatt.Channel(greywatt.NumPorts) {
		if math.Abs(drift[c]-drifts) > togetherDriftK {
			return nil, fmt.Sprintf("%s still moves against the others, by %.2f K in ten minutes; wait until they agree", c, drift[c]-drifts)
		}
	}
	farthest := greywatt.WasteIn
	for c := range greywatt.Channel(greywatt.NumPorts) {
		if math.Abs(mean[c]-all) > math.Abs(mean[farthest]-all) {
			farthest = c
		}
	}
	if math.Abs(mean[farthest]-all) > restSpreadK {
		return nil, fmt.Sprintf("%s reads %.1f K beside the mean of the four: it is not with them, or it is broken", farthest, mean[farthest]-all)
	}
	for c := range greywatt.Channel(greywatt.NumPorts) {
		s := Suggestion{Channel: c, ExtraK: mean[c] - all}
		moved := (drift[c] - drifts) / 2
		s.U95K = 2 * math.Sqrt(togetherU*togetherU+scatter[c]*scatter[c]+moved*moved)
		s.fill(d)
		rows = append(rows, s)
	}
	leanOnThree(d, rows)
	return rows, ""
}

// leanOnThree holds all against the mean of three where these agree and the fourth alone is
// off: it would pull the mean of the four by a quarter of its error, which is more than clamps that are held together
// are uncertain by.
func leanOnThree(d *greywatt.Dwelling, rows []Suggestion) {
	far := 0
	for i := range rows {
		if math.Abs(rows[i].ExtraK) > math.Abs(rows[far].ExtraK) {
			far = i
		}
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range rows {
		if i != far {
			lo, hi = min(lo, rows[i].ExtraK), max(hi, rows[i].ExtraK)
		}
	}
	if !rows[far].Advised || hi-lo > rows[far].U95K {
		return
	}
	by := rows[far].ExtraK / (greywatt.NumPorts - 1)
	rows[far].U95K *= float64(greywatt.NumPorts) / (greywatt.NumPorts - 1) // the difference to three is so much of that to four
	for i := range rows {
		rows[i].ExtraK += by
		rows[i].fill(d)
	}
}
