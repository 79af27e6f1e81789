package event

import (
	"fmt"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/clamp"
	"greywatt/analysis/draw"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/robust"
)

// FlowingLMin is the mains flow, l/min, from which water runs: what opens a run in
// package draw.
const FlowingLMin = 0.8

// A window is one session of draws on one time axis: the flow readings' times,
// with every other channel brought to them.
type window struct {
	a      *Analyser
	origin greywatt.Instant
	at     []greywatt.Instant // of the flow readings
	t      []float64          // the same, s since origin
	flow   []float64          // l/min, evened
	meter  draw.Coarseness
	spikes bool // some readings were left out
	port   greywatt.Ports[channel]
	waste  []float64 // l/min at t, NaN where not measured
	room   []float64 // °C at t
	roomU  float64   // K
	roomIs bool      // assumed or learnt, not measured

	restLMin  float64 // mains flow at rest before the session, l/min; NaN where too few readings tell
	restULMin float64
	equal     equality // of both sides in connection A, of the latest event combined
	fromWaste bool     // no preheat-out is read: what the waste side gives up stands for it

	runs  []draw.Run
	warm  []bool // of the runs: warm waste
	draws []draw.Draw

	near int // where water last looked
}

// channel is one temperature of a window.
type channel struct {
	sensor  greywatt.Sensor
	noiseK  float64
	gridK   float64   // step of its output, K; see [grid]
	surface []float64 // °C at t, as the clamp read, offset taken off
	water   []float64 // °C at t, lag and loss undone; NaN where no reading is near
	vari    []float64 // K² at t, from noise
	bracket []float64 // s between the readings around t
	step    []float64 // K between them
}

// leadS is how much before its first flow a window begins, s: what the smoother
// needs to settle. What went before is not of the session.
const leadS = 900

// window brings the buffers to one axis.
func (a *Analyser) window() *window {
	fb, spikes := unspikedFlow(a.buf[greywatt.Flow].from(a.began.Add(-a.leadUp())))
	a.work.used = 0
	if a.work.rating == nil {
		a.work.rating = exchanger.NewRating(a.dwelling.Exchanger)
		a.work.losses = LossesOf(a.work.rating)
		a.work.usual = a.work.rating.At(exchanger.Flows{WasteLMin: 9, MainsLMin: 9}, a.work.rating.Inlets()).Effectiveness
	}
	w := &window{a: a, origin: a.began, at: fb.at, t: a.work.floats(len(fb.at)), flow: fb.v, spikes: spikes > 0}
	for k, at := range fb.at {
		w.t[k] = at.Sub(w.origin)
	}
	w.flow, w.meter = draw.Even(w.t, w.flow)
	w.restLMin, w.restULMin = w.restFlow()
	w.runs = draw.Runs(w.t, w.drawn())
	w.room, w.roomU, w.roomIs = a.roomAt(w.at)
	w.channels()
	w.waste = w.wasteFlow(a.buf[greywatt.WasteFlow].from(a.began.Add(-leadS)))
	return w
}

// fronts are the times at which temperatures may jump: flow starts, steps and
// stops. The smoother reads each as the beginning of brisk change.
func (w *window) fronts() []float64 {
	var at []float64
	for _, r := range w.runs {
		at = append(at, w.t[r.First])
		level := w.flow[r.First]
		for k := r.First + 1; k < r.Last; k++ {
			if ahead := w.flow[min(k+2, r.Last)]; math.Abs(ahead-level) > 0.15*level+0.3 && w.t[k] > at[len(at)-1]+5 {
				at = append(at, w.t[k])
				level = ahead
			}
			level += 0.1 * (w.flow[k] - level)
		}
		at = append(at, w.t[r.Last])
	}
	return at
}

// lagGapS is the silence, s, across which the smoother does not look.
const lagGapS = 400

// channels fills in the four temperatures. Those that were read at the same
// moments, as a node reads its sensors, are restored together.
func (w *window) channels() {
	fronts := w.fronts()
	var from greywatt.Ports[series]
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		var spikes int
		*from.Of(c), spikes = unspiked(w.a.buf[c].from(w.a.began.Add(-leadS)))
		w.spikes = w.spikes || spikes > 0
	}
	w.leaveFrozen(&from)
	var done greywatt.Ports[bool]
	for i := greywatt.WasteIn; i.IsPort(); i++ {
		if done.At(i) {
			continue
		}
		at := from.Of(i).at
		w.a.work.group = w.a.work.group[:0]
		for j := i; j.IsPort(); j++ {
			if b := from.Of(j); j == i || !done.At(j) && slices.Equal(at, b.at) {
				*done.Of(j) = true
				port := w.port.Of(j)
				port.sensor = b.sensor
				w.a.work.group = append(w.a.work.group, member{port: port, v: b.v})
			}
		}
		w.restore(at, fronts)
	}
}

// A member is one channel of those read at the same moments.
type member struct {
	port *channel
	v    []float64
}

// restore brings the channels of the group, read at the times at, to the axis
// of the flow readings.
func (w *window) restore(at []greywatt.Instant, fronts []float64) {
	n := len(w.t)
	m := &w.a.work
	if len(at) == 0 {
		none := m.nans(n)
		for _, g := range m.group {
			c := g.port
			c.surface, c.water, c.vari, c.step, c.bracket = none, none, none, none, none
		}
		return
	}
	together := slices.Equal(at, w.at) // as a node reads all of its sensors
	bt := w.t
	if !together {
		bt = m.floats(len(at))
		for k := range bt {
			bt[k] = at[k].Sub(w.origin)
		}
	}
	m.noise.At(bt)
	series := m.series[:0]
	for _, g := range m.group {
		g.port.gridK = grid(g.v)
		g.port.noiseK = max(m.noise.Noise(g.v), g.port.gridK/math.Sqrt(12))
		series = append(series, clamp.Series{
			Lag: clamp.Lag{ResponseS: g.port.sensor.ResponseS, NoiseK: g.port.noiseK},
			Y:   g.v, T: m.floats(len(at)), Var: m.floats(len(at)),
		})
	}
	m.series = series
	m.smoother.Restore(bt, series, fronts, lagGapS)
	if together {
		w.asRead(series)
	} else {
		w.between(bt, series)
	}
}

// asRead takes over what was read at the moments of the flow readings themselves.
func (w *window) asRead(series []clamp.Series) {
	m := &w.a.work
	zeros := m.zeros(len(w.t))
	for l := range series {
		s, c := &series[l], m.group[l].port
		c.surface, c.vari, c.bracket, c.step = s.Y, s.Var, zeros, zeros
		loss := c.sensor.LossFraction
		for k, v := range s.T {
			s.T[k] = clamp.Water(v, loss, w.room[k])
		}
		c.water = s.T
	}
}

// between brings what was read at the times bt to the flow readings, on the line
// between the readings around each.
func (w *window) between(bt []float64, series []clamp.Series) {
	m := &w.a.work
	n := len(w.t)
	bracket := m.nans(n) // shared: it depends on the times only
	for _, g := range m.group {
		c := g.port
		c.surface, c.water, c.vari, c.step, c.bracket = m.nans(n), m.nans(n), m.nans(n), m.nans(n), bracket
	}
	i := 0
	for k, t := range w.t {
		for i+1 < len(bt) && bt[i+1] <= t {
			i++
		}
		j := i
		switch {
		case bt[i] > t, i+1 == len(bt) && t-bt[i] > 90:
			continue // before the first or long after the last reading
		case i+1 < len(bt) && t > bt[i]:
			j = i + 1
		}
		var f float64
		if j > i {
			f = (t - bt[i]) / (bt[j] - bt[i])
		}
		bracket[k] = max(bt[j]-bt[i], t-bt[i])
		if bracket[k] > lagGapS {
			continue
		}
		for l := range series {
			s, c := &series[l], m.group[l].port
			c.step[k] = math.Abs(s.Y[j] - s.Y[i])
			c.surface[k] = s.Y[i] + f*(s.Y[j]-s.Y[i])
			c.water[k] = clamp.Water(s.T[i]+f*(s.T[j]-s.T[i]), c.sensor.LossFraction, w.room[k])
			c.vari[k] = s.Var[i] + f*(s.Var[j]-s.Var[i])
		}
	}
}

func (w *window) wasteFlow(b series) []float64 {
	out := w.a.work.nans(len(w.t))
	if len(b.at) == 0 {
		return out
	}
	i := 0
	for k, at := range w.at {
		for i+1 < len(b.at) && b.at[i+1] <= at {
			i++
		}
		if i < len(b.at) && math.Abs(at.Sub(b.at[i])) <= draw.GapS {
			out[k] = b.v[i]
		}
	}
	return out
}

// workspace is what one window needs, used again for the next.
type workspace struct {
	rating    *exchanger.Rating
	losses    Losses
	usual     float64 // effectiveness that the unit should show at a shower's flow
	smoother  clamp.Smoother
	noise     clamp.Noisemeter
	rank      robust.Selection
	intervals []float64      // see usualInterval
	group     []member       // channels read at the same moments
	series    []clamp.Series // of the same
	all       []float64
	used      int
}

func (s *workspace) floats(n int) []float64 {
	if s.used+n > len(s.all) {
		s.all, s.used = make([]float64, max(2*len(s.all), n, 1<<14)), 0 // what is out stays with its holders
	}
	s.used += n
	return s.all[s.used-n : s.used : s.used]
}

// zeros returns n values, all 0.
func (s *workspace) zeros(n int) []float64 {
	x := s.floats(n)
	clear(x)
	return x
}

// nans returns n values, all NaN.
func (s *workspace) nans(n int) []float64 {
	x := s.floats(n)
	for i := range x {
		x[i] = math.NaN()
	}
	return x
}

// events finds the draws of the session and measures each.
func (w *window) events() []Event {
	w.warmRuns()
	w.draws = draw.Join(w.t, w.runs, w.warm)
	var events []Event
	for _, d := range w.draws {
		// a run of the lead-up belongs to the session before
		if w.t[w.runs[d.Last].Last] < 0 {
			continue
		}
		events = append(events, w.measure(d))
	}
	return events
}

// warmRuns tells the runs with warm waste. Those with nothing but a silence between
// them are one: its drain need not rise again.
func (w *window) warmRuns() {
	w.warm = make([]bool, len(w.runs))
	view := draw.View{
		Drain: func(t float64) float64 {
			a, b := w.water(greywatt.WasteIn, t), w.water(greywatt.WasteOut, t)
			if math.IsNaN(a) || b > a {
				return b // swapped or failed clamps must not hide a shower
			}
			return a
		},
		Inlet:    func(t float64) float64 { return w.water(greywatt.WasteIn, t) },
		Preheat:  func(t float64) float64 { return w.water(greywatt.PreheatOut, t) },
		Cold:     func(t float64) float64 { return w.water(greywatt.ColdIn, t) },
		Expected: w.a.work.usual,
	}
	lastWarm := math.Inf(-1)
	for i := 0; i < len(w.runs); {
		j := i
		for j+1 < len(w.runs) && draw.Silent(w.t, w.runs, j) {
			j++
		}
		from, to := w.t[w.runs[i].First], w.t[w.runs[j].Last]
		view.RoomC = w.room[w.runs[i].First]
		view.Outlet = !w.reads(greywatt.WasteIn, w.runs[i].First, w.runs[j].Last)
		view.UnseenS = 0
		if k := w.runs[i].First; k > 0 && w.t[k]-w.t[k-1] <= draw.SilenceS {
			view.UnseenS = w.t[k] - w.t[k-1]
		}
		warm := view.Warm(from, to, from-lastWarm)
		if warm {
			lastWarm = to
		}
		for ; i <= j; i++ {
			w.warm[i] = warm
		}
	}
}

// reads reports whether port p is read at all between two flow readings.
func (w *window) reads(p greywatt.Channel, from, to int) bool {
	for k := from; k <= to; k++ {
		if !math.IsNaN(w.port.Of(p).water[k]) {
			return true
		}
	}
	return false
}

// water returns port p's temperature at time t by the nearest flow reading.
func (w *window) water(p greywatt.Channel, t float64) float64 {
	// the caller asks for times close together: walk from where it last was
	lo := w.near
	for lo < len(w.t) && w.t[lo] < t {
		lo++
	}
	for lo > 0 && w.t[lo-1] >= t {
		lo--
	}
	w.near = lo
	if lo == len(w.t) || lo > 0 && t-w.t[lo-1] < w.t[lo]-t {
		lo--
	}
	if lo < 0 || math.Abs(w.t[lo]-t) > 60 {
		return math.NaN()
	}
	return w.port.Of(p).water[lo]
}

// eventID names an event by its dwelling and start, to the second.
func eventID(dwelling string, start greywatt.Instant) string {
	return fmt.Sprintf("%s-%s", dwelling, start.Time().Format("20060102T150405Z"))
}
