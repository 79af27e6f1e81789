package simulate

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// A Kind says what a draw is.
type Kind string

// The kinds, named as the analysis names them.
const (
	Shower    Kind = "shower"
	OtherDraw Kind = "other-draw"
)

// A Person showers by habit.
type Person struct {
	TargetC  float64 // at the head
	FlowLMin float64 // at the head
	Minutes  float64 // of running water
	Hour     float64 // local, of the usual shower
}

// Habits says when water is drawn. Probabilities are per shower.
type Habits struct {
	People        []Person
	ShowersPerDay float64
	OtherPerDay   float64 // hot draws elsewhere, seen by the exchanger in A and C only
	Pause         float64 // probability of one or two soaping pauses of 20 to 80 s
	Step          float64 // of a change of flow or temperature on the way
	Short         float64 // of a rinse of one to two minutes instead
	BackToBack    float64 // of the next person following within ten minutes
	Midnight      float64 // of a shower that crosses midnight
	Overlap       float64 // of another draw while the shower runs
	Near          float64 // of another draw within five minutes of its start or end
	FlowNoise     float64 // relative standard deviation of the supply's unrest
	FlowDrift     float64 // relative change of all flows over a year: changing habit
	Resume        float64 // of a shower that goes on after a pause of 100 to 240 s, with a tap running past its end
}

// RandomHabits draws a household of one to four.
func RandomHabits(r *rand.Rand) Habits {
	h := Habits{
		ShowersPerDay: between(r, 1.4, 3), OtherPerDay: between(r, 4, 14),
		Pause: between(r, 0.1, 0.5), Step: between(r, 0.1, 0.5), Short: between(r, 0, 0.08),
		BackToBack: between(r, 0, 0.3), Midnight: between(r, 0, 0.02),
		Overlap: between(r, 0, 0.12), Near: between(r, 0, 0.25),
		FlowNoise: between(r, 0.001, 0.008), FlowDrift: between(r, -0.1, 0.1),
	}
	for range 1 + r.IntN(4) {
		p := Person{
			TargetC: between(r, 36.5, 41.5), FlowLMin: between(r, 5.5, 11.5),
			Minutes: between(r, 5, 9.5), Hour: between(r, 6, 8.5),
		}
		if chance(r, 0.4) {
			p.Hour = between(r, 17, 22.5)
		}
		h.People = append(h.People, p)
	}
	return h
}

// A piece is water running at one setting.
type piece struct {
	from, to float64 // s from the run's start
	lMin     float64
	targetC  float64 // of a shower
}

// A draw is one use of water: pieces with pauses of up to 80 s between them.
type draw struct {
	kind   Kind
	pieces []piece
	tap    *draw // elsewhere, that runs past this one's end
}

func (d *draw) from() float64 { return d.pieces[0].from }
func (d *draw) to() float64   { return d.pieces[len(d.pieces)-1].to }

func (d *draw) move(by float64) {
	for i := range d.pieces {
		d.pieces[i].from += by
		d.pieces[i].to += by
	}
}

// A cluster is what the exchanger cannot but see as one event: a shower with
// the draws that overlap it, or one other draw.
type cluster struct {
	from, to float64
	shower   *draw // nil for another draw
	others   []*draw
	edges    []float64 // ascending, every start and end of a piece
	bypass   float64   // share of the mains flow that goes around the unit
	tap      float64   // flow of a second tap, as a share of the shower's
}

func (c *cluster) kind() Kind {
	if c.shower != nil {
		return Shower
	}
	return OtherDraw
}

func (c *cluster) draws() []*draw {
	if c.shower == nil {
		return c.others
	}
	return append([]*draw{c.shower}, c.others...)
}

func (c *cluster) close() {
	c.from, c.to = math.Inf(1), math.Inf(-1)
	c.edges = nil
	for _, d := range c.draws() {
		c.from, c.to = min(c.from, d.from()), max(c.to, d.to())
		for _, p := range d.pieces {
			c.edges = append(c.edges, p.from, p.to)
		}
	}
	slices.Sort(c.edges)
}

// A diary turns Habits into clusters, a day at a time.
type diary struct {
	*Habits
	seed   uint64
	others bool    // the exchanger sees draws elsewhere
	busy   float64 // end of what is written so far
}

const (
	apartS     = 100.0 // between unrelated draws, more than a soaping pause
	nextUserS  = 150.0 // least time between two people's showers
	morningEnd = 9.5
)

// write returns day d's clusters in order; midnight is its start in s.
func (d *diary) write(day int, midnight float64) []cluster {
	r := generator(d.seed, dayStream+stream(day))
	wear := 1 + d.FlowDrift*float64(day)/365
	var page []cluster
	for _, s := range d.showers(r, day, midnight, wear) {
		c := cluster{shower: s}
		if s.tap != nil {
			c.others = []*draw{s.tap}
		}
		c.close()
		page = append(page, c)
	}
	if d.others {
		page = d.addOthers(r, page, midnight, wear)
	}
	slices.SortFunc(page, func(a, b cluster) int { return cmp.Compare(a.from, b.from) })
	if n := len(page); n > 0 {
		d.busy = max(d.busy, page[n-1].to)
	}
	return page
}

// showers returns the day's showers in order, none within nextUserS of another.
func (d *diary) showers(r *rand.Rand, day int, midnight, wear float64) []*draw {
	var list []*draw
	at := d.busy
	var starts []float64
	for range poisson(r, d.ShowersPerDay) {
		p := d.People[r.IntN(len(d.People))]
		hour := p.Hour + 0.4*r.NormFloat64()
		if chance(r, 0.25) {
			hour = between(r, 7, 22)
		}
		starts = append(starts, midnight+3600*min(max(hour, 5), 23.2))
	}
	slices.Sort(starts)
	for i, start := range starts {
		s := d.shower(r, wear)
		if i > 0 && chance(r, d.BackToBack) {
			start = at + between(r, nextUserS, 600)
		}
		if i == len(starts)-1 && chance(r, d.Midnight) {
			start = midnight + 86400 - between(r, 60, s.to()-30)
		}
		s.move(max(start, at+nextUserS))
		at = s.to()
		list = append(list, s)
		if d.Resume == 0 {
			continue
		}
		if roll := generator(d.seed, showerStream+stream(day<<8+i)); chance(roll, d.Resume) {
			if second := d.resume(roll, s); second != nil {
				at = second.to()
				if second.tap != nil {
					at = second.tap.to()
				}
				list = append(list, second)
			}
		}
	}
	return list
}

// resume cuts the end off a shower and returns it as a shower of its own, or nil
// where the shower is too short. Where the exchanger sees taps elsewhere, one
// starts before its end and runs on.
func (d *diary) resume(r *rand.Rand, s *draw) *draw {
	last := &s.pieces[len(s.pieces)-1]
	if last.to-last.from < 240 {
		return nil
	}
	cut := last.from + between(r, 0.4, 0.6)*(last.to-last.from)
	pause := between(r, 100, 240)
	second := &draw{kind: Shower, pieces: []piece{{from: cut + pause, to: last.to + pause, lMin: last.lMin, targetC: last.targetC}}}
	last.to = cut
	if end := second.to(); d.others {
		second.tap = &draw{kind: OtherDraw, pieces: []piece{{
			from: end - between(r, 20, 60), to: end + between(r, 20, 90), lMin: between(r, 3, 7),
		}}}
	}
	return second
}

// shower returns a shower that starts at 0.
func (d *diary) shower(r *rand.Rand, wear float64) *draw {
	p := d.People[r.IntN(len(d.People))]
	target := min(max(p.TargetC+0.4*r.NormFloat64(), 36), 42)
	flow := min(max(p.FlowLMin*(1+0.04*r.NormFloat64())*wear, 5), 12)
	left := min(max(60*p.Minutes*math.Exp(0.25*r.NormFloat64()), 200), 840)
	s := &draw{kind: Shower}
	if chance(r, d.Short) {
		s.pieces = []piece{{to: between(r, 60, 120), lMin: flow, targetC: target}}
		return s
	}
	var cuts []bool // true: a pause
	if chance(r, d.Pause) {
		cuts = append(cuts, true)
		if chance(r, 0.3) {
			cuts = append(cuts, true)
		}
	}
	if chance(r, d.Step) {
		cuts = append(cuts, false)
	}
	r.Shuffle(len(cuts), func(i, j int) { cuts[i], cuts[j] = cuts[j], cuts[i] })
	t := 0.0
	for i, pause := range cuts {
		part := left * between(r, 0.15, 0.8) / float64(len(cuts)-i)
		s.pieces = append(s.pieces, piece{from: t, to: t + part, lMin: flow, targetC: target})
		left -= part
		t += part
		switch {
		case pause:
			t += between(r, 20, 80)
		case chance(r, 0.6):
			flow = min(max(flow*choose(r, between(r, 0.72, 0.9), between(r, 1.1, 1.3)), 5), 12)
		default:
			target = min(max(target+choose(r, -1.0, 1.0)*between(r, 0.5, 1.5), 36), 42)
		}
	}
	s.pieces = append(s.pieces, piece{from: t, to: t + left, lMin: flow, targetC: target})
	return s
}

// other returns a draw elsewhere that starts at 0: a hand wash, a kitchen tap,
// or a bout of washing up with short pauses.
func (d *diary) other(r *rand.Rand, wear float64) *draw {
	flow := between(r, 3, 8) * wear
	o := &draw{kind: OtherDraw}
	parts := 1
	if chance(r, 0.08) {
		parts = 2 + r.IntN(3)
	}
	t := 0.0
	for range parts {
		long := between(r, 3, 20)
		switch u := r.Float64(); {
		case u > 0.85:
			long = between(r, 60, 120)
		case u > 0.4:
			long = between(r, 20, 60)
		}
		o.pieces = append(o.pieces, piece{from: t, to: t + long, lMin: flow})
		t += long + between(r, 6, 40)
	}
	return o
}

// addOthers adds draws within, near and away from the showers.
func (d *diary) addOthers(r *rand.Rand, page []cluster, midnight, wear float64) []cluster {
	free := func(o, within *draw, apart float64) bool {
		return o.from() > d.busy+apart && !slices.ContainsFunc(page, func(c cluster) bool {
			return (within == nil || c.shower != within) && o.from() < c.to+apart && o.to() > c.from-apart
		})
	}
	add := func(o *draw, apart float64) {
		if free(o, nil, apart) {
			c := cluster{others: []*draw{o}}
			c.close()
			page = append(page, c)
		}
	}
	for i := range page {
		s := page[i].shower
		if chance(r, d.Overlap) {
			o := d.other(r, wear)
			o.move(between(r, s.from()-0.5*o.to(), s.to()-0.5*o.to()))
			if free(o, s, apartS) {
				page[i].others = append(page[i].others, o)
				page[i].close()
			}
		}
		if chance(r, d.Near) {
			o := d.other(r, wear)
			if chance(r, 0.5) {
				o.move(page[i].to + between(r, 20, 300))
			} else {
				o.move(page[i].from - o.to() - between(r, 20, 300))
			}
			add(o, 15)
		}
	}
	for range poisson(r, d.OtherPerDay) {
		hour := between(r, 6.5, 23.5)
		if chance(r, 0.5) {
			hour = choose(r, between(r, 7, morningEnd), between(r, 17, 21))
		}
		o := d.other(r, wear)
		o.move(midnight + 3600*hour)
		add(o, apartS)
	}
	return page
}
