package intake

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"greywatt"
)

// What makes a channel look wrong; all are this project's choice.
const (
	running     = 0.01 // l/s above which water runs
	fewReadings = 20   // below, a channel is not judged
	flowHoldsS  = 120  // s for which a flow counts as the last known
	jumpK       = 10.0 // K between neighbours
	jumpS       = 10.0 // s that lie between them at most
	jumps       = 3    // that many are suspicious
	longS       = 10.0 // s between readings in a draw, at most
	orderK      = 1.0  // K by which an order must be wrong
	leastFlow   = 0.02 // l/s, mean in draws
	mostFlow    = 0.7
	maxSeries   = 20_000
)

// Channels gathers what each channel looks like while readings pass in the
// order of a file.
type Channels struct {
	series map[seriesKey]*series
	homes  map[string]*home
	lost   int // readings of series beyond maxSeries
}

type seriesKey struct {
	dwelling, node string
	channel        greywatt.Channel
}

type series struct {
	seriesKey
	n, atRest, inDraws int
	first, last        greywatt.Instant
	lastAt             greywatt.Instant // of the reading before
	lastV              float64
	lo, hi             float64
	drawSum            float64
	jumps              int
	backward           int
	steps, drawSteps   intervals
}

// intervals are counted by the logarithm of their length.
type intervals struct {
	bins [64]struct {
		n   int
		sum float64 // s
	}
	last float64 // s, whose bin is at: most follow one of the same length
	at   int
}

// A home is the last flow of a dwelling.
type home struct {
	flow float64
	at   greywatt.Instant
	open []greywatt.Reading // of the instant at hand

	latest [greywatt.NumChannels]*series // of each channel, whose node most often comes again
}

// NewChannels returns an empty gathering.
func NewChannels() *Channels {
	return &Channels{series: map[seriesKey]*series{}, homes: map[string]*home{}}
}

// Take notes readings.
func (c *Channels) Take(rs []greywatt.Reading) {
	var h *home
	var at string
	for i := range rs {
		r := &rs[i]
		if h == nil || r.Dwelling != at {
			at = r.Dwelling
			if h = c.homes[at]; h == nil {
				h = &home{}
				c.homes[at] = h
			}
		}
		if len(h.open) > 0 && h.open[0].At != r.At {
			c.close(h)
		}
		h.open = append(h.open, *r)
		if len(h.open) >= 1024 {
			c.close(h)
		}
	}
}

// close notes what belongs to one instant.
func (c *Channels) close(h *home) {
	for i := range h.open {
		if r := &h.open[i]; r.Channel == greywatt.Flow {
			h.flow, h.at = r.Value, r.At
		}
	}
	for i := range h.open {
		known := h.at != 0 && math.Abs(h.open[i].At.Sub(h.at)) <= flowHoldsS
		c.note(h, &h.open[i], known, h.flow > running)
	}
	h.open = h.open[:0]
}

func (c *Channels) note(h *home, r *greywatt.Reading, known, draw bool) {
	key := seriesKey{r.Dwelling, r.Node, r.Channel}
	s := h.latest[r.Channel]
	if s == nil || s.node != r.Node {
		s = c.series[key]
		h.latest[r.Channel] = s
	}
	if s == nil {
		if len(c.series) >= maxSeries {
			c.lost++
			return
		}
		s = &series{seriesKey: key, first: r.At, last: r.At, lo: r.Value, hi: r.Value}
		c.series[key], h.latest[r.Channel] = s, s
	} else {
		dt := r.At.Sub(s.lastAt)
		switch {
		case dt < 0:
			s.backward++
			dt = -dt
		case dt <= jumpS && !r.Channel.IsFlow() && math.Abs(r.Value-s.lastV) > jumpK:
			s.jumps++
		}
		s.steps.add(dt)
		if known && draw {
			s.drawSteps.add(dt)
		}
	}
	s.n++
	s.first, s.last = min(s.first, r.At), max(s.last, r.At)
	s.lo, s.hi = min(s.lo, r.Value), max(s.hi, r.Value)
	s.lastAt, s.lastV = r.At, r.Value
	switch {
	case known && draw:
		s.inDraws++
		s.drawSum += r.Value
	case known:
		s.atRest++
	}
}

// add counts an interval among steps of a quarter of an octave from 0.1 s on.
func (v *intervals) add(s float64) {
	if s != v.last {
		v.last, v.at = s, 0
		if s >= 0.1 {
			v.at = min(len(v.bins)-1, 1+int(math.Round(4*math.Log2(s/0.1))))
		}
	}
	bin := &v.bins[v.at]
	bin.n++
	bin.sum += s
}

// typical returns the mean of the most frequent intervals, s; NaN: none.
func (v *intervals) typical() float64 {
	best := v.bins[0]
	for _, b := range v.bins {
		if b.n > best.n {
			best = b
		}
	}
	return best.sum / float64(best.n)
}

// A ChannelSummary is what one channel of a node looks like.
type ChannelSummary struct {
	Dwelling, Node  string
	Channel         greywatt.Channel
	Readings        int
	First, Last     greywatt.Instant
	IntervalS       float64 // the most frequent; NaN: one reading
	AtRest, InDraws float64 // shares; the rest has no flow beside it
	Lowest, Highest float64 // °C or l/s
	Suspicious      []string
}

// Summary returns all channels, those of a dwelling and node together.
func (c *Channels) Summary() []ChannelSummary {
	for _, h := range c.homes {
		c.close(h)
	}
	var all []ChannelSummary
	for _, s := range c.series {
		all = append(all, ChannelSummary{
			Dwelling: s.dwelling, Node: s.node, Channel: s.channel, Readings: s.n, First: s.first, Last: s.last, IntervalS: s.steps.typical(),
			AtRest: float64(s.atRest) / float64(s.n), InDraws: float64(s.inDraws) / float64(s.n), Lowest: s.lo, Highest: s.hi, Suspicious: c.suspect(s),
		})
	}
	slices.SortFunc(all, func(a, b ChannelSummary) int {
		return cmp.Or(strings.Compare(a.Dwelling, b.Dwelling), strings.Compare(a.Node, b.Node), cmp.Compare(a.Channel, b.Channel))
	})
	return all
}

// Lost is the number of readings of channels beyond those told apart.
func (c *Channels) Lost() int { return c.lost }

func (c *Channels) suspect(s *series) (why []string) {
	if s.n < fewReadings {
		return nil
	}
	switch {
	case s.lo == s.hi && s.channel.IsFlow() && s.lo == 0:
		why = append(why, "no water ran")
	case s.lo == s.hi:
		why = append(why, "never moves")
	}
	if s.jumps >= jumps {
		why = append(why, fmt.Sprintf("%d jumps of more than %g K", s.jumps, jumpK))
	}
	if s.backward*100 > s.n {
		why = append(why, "times go back")
	}
	if step := s.drawSteps.typical(); s.inDraws >= fewReadings && step > longS*1.1 {
		why = append(why, fmt.Sprintf("every %.0f s in draws; a shower wants 10 s at most", step))
	}
	if s.inDraws < fewReadings {
		return why
	}
	mean := s.drawSum / float64(s.inDraws)
	if s.channel == greywatt.Flow && (mean < leastFlow || mean > mostFlow) {
		why = append(why, fmt.Sprintf("%.3g l/min while water runs: is the unit right?", mean*60))
	}
	for _, o := range []struct{ warm, cold greywatt.Channel }{
		{greywatt.WasteIn, greywatt.WasteOut}, {greywatt.PreheatOut, greywatt.ColdIn}, {greywatt.WasteIn, greywatt.ColdIn},
	} {
		if s.channel != o.warm {
			continue
		}
		if cold, ok := c.drawMean(s.dwelling, o.cold); ok && mean < cold-orderK {
			why = append(why, fmt.Sprintf("colder than %s while water runs", o.cold))
		}
	}
	return why
}

func (c *Channels) drawMean(dwelling string, channel greywatt.Channel) (mean float64, ok bool) {
	sum, n := 0.0, 0
	for key, s := range c.series {
		if key.dwelling == dwelling && key.channel == channel {
			sum += s.drawSum
			n += s.inDraws
		}
	}
	return sum / float64(n), n >= fewReadings
}

// Span says the time that a channel covers, in words.
func (s *ChannelSummary) Span() string {
	d := time.Duration(s.Last-s.First) * time.Microsecond
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f min", d.Minutes())
}
