package finding

import (
	"math"

	"greywatt"
)

// shares are those of its pipe that a loose clamp may still show.
var shares = []float64{0.15, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.88}

// A loosening is what a clamp that shows one share of its pipe makes of every
// group.
type loosening struct {
	port   cause
	share  float64
	shift  [][numSeries]float64
	unread []bool // groups in which it leaves nothing to read
}

// loosenings lists them.
func (d *diagnoser) loosenings(ss []shower, gs []group) (out []loosening) {
	const each = 2 // showers of a group
	for port := range cause(4) {
		for _, share := range shares {
			undo := undoPartialContact(int(port), share)
			l := loosening{port: port, share: share, shift: make([][numSeries]float64, len(gs)), unread: make([]bool, len(gs))}
			for j := range gs {
				var shifts [numSeries][]float64
				for i := gs[j].from; i < gs[j].to; i += max(1, (gs[j].to-gs[j].from)/each) {
					is := d.observe(&ss[i], undo(&ss[i]))
					for k := range numSeries {
						shifts[k] = append(shifts[k], gs[j].each[i-gs[j].from][k]-is[k])
					}
				}
				for k := range numSeries {
					if l.shift[j][k] = medianKnown(shifts[k]); math.IsNaN(l.shift[j][k]) {
						l.shift[j][k] = 0
						if !math.IsNaN(gs[j].y[k]) && k <= seriesHeat {
							l.unread[j] = true
						}
					}
				}
			}
			out = append(out, l)
		}
	}
	return out
}

// shareSpread is how far, as a standard deviation, what a loose clamp does may be from what
// a share makes of it: the room is not one temperature. This project's choice.
const shareSpread = 0.05

// readable reports whether a loosening leaves most of the groups in which the clamp was
// loose.
func (l *loosening) readable(gs []group, p profile) bool {
	n, unread := 0, 0
	for j := range gs {
		if p.at(gs[j].t) > 0 {
			n++
			if l.unread[j] {
				unread++
			}
		}
	}
	return n > 0 && unread <= n/4
}

// loose weighs a clamp that comes loose at each place, and at the likeliest of a port with
// shares between those listed too.
func (e *evidence) loose(all []loosening, sudden []profile, turns func(day float64) bool, over func(cause, float64) float64, add func(cause, change, float64)) {
	type place struct {
		l   int
		p   profile
		lnL float64
	}
	best := map[cause]place{}
	for i := range all {
		l := &all[i]
		for _, p := range sudden {
			p.until = over(causeLoose+l.port, p.t0)
			if !l.readable(e.groups, p) {
				continue
			}
			lnL := e.loosened(l, p, turns, add)
			if b, ok := best[l.port]; !ok || lnL > b.lnL {
				best[l.port] = place{i, p, lnL}
			}
		}
	}
	const between = 8
	for port := range cause(greywatt.NumPorts) {
		b, ok := best[port]
		if !ok {
			continue
		}
		for _, n := range []int{b.l - 1, b.l + 1} {
			if n < 0 || n == len(all) || all[n].port != port || !all[n].readable(e.groups, b.p) {
				continue
			}
			for i := 1; i < between; i++ {
				l := all[b.l].towards(&all[n], float64(i)/between)
				e.loosened(&l, b.p, turns, add)
			}
		}
	}
}

// towards interpolates two loosenings of a port.
func (l *loosening) towards(o *loosening, f float64) loosening {
	out := loosening{port: l.port, share: l.share + f*(o.share-l.share), shift: make([][numSeries]float64, len(l.shift))}
	for j := range l.shift {
		for k := range numSeries {
			out.shift[j][k] = l.shift[j][k] + f*(o.shift[j][k]-l.shift[j][k])
		}
	}
	return out
}

// loosened weighs one loosening from one place on.
func (e *evidence) loosened(l *loosening, p profile, turns func(day float64) bool, add func(cause, change, float64)) float64 {
	part := make([]float64, len(e.groups))
	e.parts(part, p)
	c := e.column(e.whiten(func(k, j int) float64 { return l.shift[j][k] * part[j] }))
	lnL, size, _ := c.gain(1, shareSpread, 0)
	if l.share >= slight && turns(p.t0) {
		lnL -= slightDoubt
	}
	if p.until > 0 {
		lnL += seenTo / temper
	}
	add(causeLoose+l.port, change{course: p, size: size, share: l.share, shift: c.x}, lnL)
	return lnL
}
