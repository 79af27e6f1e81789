package simulate

import (
	"math"

	"greywatt"
)

// Truth is what happened in a run.
type Truth struct {
	Events []Event // in time order, none overlapping
	Faults []Fault // of the house: what, since when, how much
}

// A Span is a stretch of time.
type Span struct{ From, To greywatt.Instant }

// An Event is one draw as the exchanger sees it: a shower with its pauses and
// with the draws that overlap it, or one other draw with its pauses. A figure
// that does not exist is NaN.
type Event struct {
	Kind       Kind
	Start, End greywatt.Instant // first and last instant of mains flow
	Parts      []Span           // uninterrupted flow; Parts of a shower are joined over pauses of at most 80 s
	RunningS   float64          // time with flow
	VolumeL    float64          // mains water, at the cold inlet
	HeatKWh    float64          // gained by it between the ports, the whole event
	IdealKWh   float64          // that ideal counterflow would have passed over the event
	EffEvent   float64          // HeatKWh / IdealKWh, of a shower

	OverlapS   float64 // time for which another draw and the shower ran together
	GapBeforeS float64 // since the event before; +Inf for the first
	DataGap    bool    // a Gap takes some of the event's readings
	SilentS    float64 // of it, that a node fell silent for while it was awake
	Bypass     float64 // share of the mains flow that went around the unit in this event alone
	TapShare   float64 // flow of a second tap that ran all through it, as a share of the shower's

	// Settled flow: stretches of at least 30 s of a shower in which waste runs,
	// nobody changes anything and no other draw runs, counted from when both flows
	// stay within 5 % and the effectiveness within 0.004 + 0.5 % of the steady one.
	// Measurable says that they make up 60 s or more. All below are over Settled.
	Measurable bool
	Settled    []Span
	SettledS   float64

	FlowLMin      float64    // mains side, time mean
	WasteFlowLMin float64    // drain side, time mean, at the waste inlet's temperature
	Port          [4]float64 // °C, time means

	EffActual float64 // heat gained over the most that the smaller stream could pass, both integrated
	EffSteady float64 // of the unit as it is, in steady state at the means of each stretch
	Expected  float64 // of the clean unit in counterflow, likewise
	Ratio     float64 // EffActual / Expected
	UARatio   float64 // conductance as it is over clean, at the same flows
	UAWK      float64 // conductance as it is, W/K

	TemperatureFactor float64 // of the clean unit at these flows: effectiveness at the event's temperatures over that at the certificate's
}

// ledger writes the truth as a run goes.
type ledger struct {
	r     *run
	truth Truth
	event Event
	rows  []row // of the present stretch
	parts []settled
}

// row is one step of undisturbed shower.
type row struct {
	from, dt float64
	feed     Feed
	out      Outlets
}

// settled is one stretch of settled flow.
type settled struct {
	span         Span
	seconds      float64
	gained, most float64 // J
	feed         Feed    // means
	out          Outlets
	steady       float64
	expected     float64
}

func newLedger(r *run) ledger { return ledger{r: r} }

const edgeS = 1e-6

// enter records a step that began at from.
func (l *ledger) enter(from, dt float64, d demand, f Feed, out Outlets) {
	if len(l.r.queue) == 0 || l.r.queue[0].from > from+edgeS {
		return
	}
	c := &l.r.queue[0]
	for _, e := range c.edges {
		if math.Abs(e-from) < edgeS {
			l.endStretch()
			break
		}
	}
	if l.r.drawing {
		l.run(from, dt)
		l.event.RunningS += dt
	}
	if f.MainsKgS > 0 {
		l.event.IdealKWh += min(f.MainsKgS, f.WasteKgS) * dt * max(enthalpy(f.WasteC)-enthalpy(f.ColdC), 0) / 3.6e6
		l.event.VolumeL += f.MainsKgS * dt / density(f.ColdC) * 1000
		l.event.HeatKWh += f.MainsKgS * dt * (enthalpy(out.PreheatC) - enthalpy(f.ColdC)) / 3.6e6
	}
	switch {
	case d.showerKgS > 0 && d.otherKgS > 0:
		l.event.OverlapS += dt
	case d.showerKgS > 0 && f.WasteKgS > 0:
		l.rows = append(l.rows, row{from, dt, f, out})
	}
}

// run extends the event's last part, or begins one.
func (l *ledger) run(from, dt float64) {
	start, end := l.r.origin.Add(from), l.r.origin.Add(from+dt)
	parts := l.event.Parts
	if n := len(parts); n > 0 && start-parts[n-1].To < 1000 {
		parts[n-1].To = end
		return
	}
	l.event.Parts = append(parts, Span{start, end})
}

// blockS is the length over which settledness is judged; a mixer that hunts is
// judged over a whole period.
const blockS = 4.0

func (l *ledger) blockS() float64 {
	if l.r.hunts != nil {
		return max(blockS, l.r.hunts.PeriodS)
	}
	return blockS
}

// endStretch keeps the settled end of the stretch, if it is long enough.
func (l *ledger) endStretch() {
	rows := l.rows
	l.rows = l.rows[:0]
	first, end := len(rows), len(rows)
	var reference Feed
	long := l.blockS()
	for end > 0 {
		begin, seconds := end, 0.0
		for begin > 0 && seconds < long {
			begin--
			seconds += rows[begin].dt
		}
		s := summarise(rows[begin:end])
		if reference.MainsKgS == 0 {
			reference = s.feed
		}
		steady := l.r.Physics.Steady(s.feed, l.r.condition).Effectiveness(s.feed)
		if off(s.feed.MainsKgS, reference.MainsKgS) > 0.05 || off(s.feed.WasteKgS, reference.WasteKgS) > 0.05 ||
			!(math.Abs(s.gained/s.most-steady) <= 0.004+0.005*steady) {
			break
		}
		first, end = begin, begin
	}
	if first == len(rows) {
		return
	}
	s := summarise(rows[first:])
	if s.seconds < 30 {
		return
	}
	last := rows[len(rows)-1]
	s.span = Span{l.r.origin.Add(rows[first].from), l.r.origin.Add(last.from + last.dt)}
	s.steady = l.r.Physics.Steady(s.feed, l.r.condition).Effectiveness(s.feed)
	s.expected = l.r.Physics.Steady(s.feed, Condition{}).Effectiveness(s.feed)
	l.parts = append(l.parts, s)
}

func off(x, from float64) float64 { return math.Abs(x/from - 1) }

func summarise(rows []row) settled {
	var s settled
	for _, r := range rows {
		gained, most := r.out.heats(r.feed)
		s.gained += gained * r.dt
		s.most += most * r.dt
		s.add(r.dt, r.feed, r.out)
	}
	s.mean()
	return s
}

func (s *settled) add(w float64, f Feed, o Outlets) {
	s.seconds += w
	s.feed.MainsKgS += w * f.MainsKgS
	s.feed.WasteKgS += w * f.WasteKgS
	s.feed.ColdC += w * f.ColdC
	s.feed.WasteC += w * f.WasteC
	s.feed.RoomC += w * f.RoomC
	s.out.PreheatC += w * o.PreheatC
	s.out.WasteOutC += w * o.WasteOutC
}

func (s *settled) mean() {
	k := 1 / s.seconds
	s.feed = Feed{
		MainsKgS: k * s.feed.MainsKgS, WasteKgS: k * s.feed.WasteKgS,
		ColdC: k * s.feed.ColdC, WasteC: k * s.feed.WasteC, RoomC: k * s.feed.RoomC,
	}
	s.out = Outlets{PreheatC: k * s.out.PreheatC, WasteOutC: k * s.out.WasteOutC}
}

// close ends the event of a cluster.
func (l *ledger) close(c *cluster) {
	l.endStretch()
	e := &l.event
	e.Kind = c.kind()
	e.Start, e.End = l.r.origin.Add(c.from), l.r.origin.Add(c.to)
	e.GapBeforeS = math.Inf(1)
	if n := len(l.truth.Events); n > 0 {
		e.GapBeforeS = e.Start.Sub(l.truth.Events[n-1].End)
	}
	for _, g := range l.r.Gaps {
		e.DataGap = e.DataGap || g.From < e.End && g.To > e.Start
	}
	for _, g := range l.r.silences {
		if g.From < e.End && g.To > e.Start {
			e.DataGap = true
			e.SilentS += g.To.Sub(g.From)
		}
	}
	e.Bypass, e.TapShare = c.bypass, c.tap
	e.EffEvent = e.HeatKWh / e.IdealKWh
	if e.Kind != Shower || e.IdealKWh == 0 {
		e.EffEvent = math.NaN()
	}
	l.figures(e)
	l.truth.Events = append(l.truth.Events, *e)
	l.event, l.parts = Event{}, nil
	if c.shower != nil {
		l.r.meters[greywatt.Flow].startDrip(c.to, l.r.noise)
	}
}

// figures combines the settled stretches.
func (l *ledger) figures(e *Event) {
	var all settled
	var steady, expected float64
	for _, s := range l.parts {
		e.Settled = append(e.Settled, s.span)
		all.gained += s.gained
		all.most += s.most
		steady += s.most * s.steady
		expected += s.most * s.expected
		all.add(s.seconds, s.feed, s.out)
	}
	e.SettledS = all.seconds
	e.Measurable = all.seconds >= 60
	all.mean() // 0/0 where nothing settled
	e.FlowLMin = all.feed.MainsKgS / density(all.feed.ColdC) * 60e3
	e.WasteFlowLMin = all.feed.WasteKgS / density(all.feed.WasteC) * 60e3
	e.Port = [4]float64{all.feed.WasteC, all.out.WasteOutC, all.feed.ColdC, all.out.PreheatC}
	e.EffActual = all.gained / all.most
	e.EffSteady = steady / all.most
	e.Expected = expected / all.most
	e.Ratio = e.EffActual / e.Expected
	if len(l.parts) == 0 {
		e.UARatio, e.UAWK, e.TemperatureFactor = math.NaN(), math.NaN(), math.NaN()
		return
	}
	p := &l.r.Physics
	e.UAWK = p.UA(all.feed, l.r.condition)
	e.UARatio = e.UAWK / p.UA(all.feed, Condition{})
	rated := all.feed
	rated.ColdC, rated.WasteC = p.ratingInlets()
	e.TemperatureFactor = p.Steady(all.feed, Condition{}).Effectiveness(all.feed) / p.Steady(rated, Condition{}).Effectiveness(rated)
}
