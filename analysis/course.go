package analysis

import (
	"fmt"
	"slices"

	"greywatt"
	"greywatt/analysis/completeness"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
	"greywatt/analysis/wire"
)

// A Course is the analysis of one dwelling's frames as they come. What they give is
// taken from it in stretches. At rest, when no water runs, what it carries over to
// the next frames is a [Course.State] of some thousand bytes, from which another
// course can go on. It forgets: courses that began at different times and had the
// same frames since come to be in the same state, usually within [RunInS]. It is not
// safe for use by several goroutines at once.
type Course struct {
	analyser *event.Analyser
	sensors  *health.Reducer
	coverage completeness.Counter
	newest   greywatt.Instant
	events   []event.Event
}

// NewCourse returns a course that begins at rest.
func NewCourse(study *greywatt.Study, d *greywatt.Dwelling) *Course {
	return &Course{analyser: event.NewAnalyser(study, d), sensors: health.NewReducer(d)}
}

// Push takes the next frames, in time order. After few, or none, it gives back the
// memory that only many in a row need.
func (c *Course) Push(frames []greywatt.Frame) {
	c.events = append(c.events, c.analyser.Push(frames)...)
	if len(frames) == 0 {
		return
	}
	c.coverage.Push(frames)
	c.sensors.Push(frames)
	c.newest = max(c.newest, frames[len(frames)-1].At)
}

// PushUntil takes the next frames up to the first rest that is not before due, all
// frames of one instant together, and returns those that are left. rested is false
// where there was no such rest; none are left then. Where it rests does not depend
// on how the frames are divided.
func (c *Course) PushUntil(due greywatt.Instant, frames []greywatt.Frame) (left []greywatt.Frame, rested bool) {
	i, _ := slices.BinarySearchFunc(frames, due, func(f greywatt.Frame, t greywatt.Instant) int {
		if f.At < t {
			return -1
		}
		return 1
	})
	if c.newest < due {
		c.Push(frames[:i])
		frames = frames[i:]
	}
	for i := range frames {
		if c.newest >= due && frames[i].At > c.newest && c.AtRest() {
			return frames[i:], true
		}
		c.Push(frames[i : i+1])
	}
	return nil, false
}

// AtRest reports whether the course has a State: no water runs.
func (c *Course) AtRest() bool { return c.analyser.AtRest() && c.sensors.AtRest() }

// Newest returns the instant of the newest frame; 0 before any.
func (c *Course) Newest() greywatt.Instant { return c.newest }

// Ended returns the number of events since the last Take.
func (c *Course) Ended() int { return len(c.events) }

// Close ends the data: the events still open, and what else is, are over. The
// course takes no more frames.
func (c *Course) Close() {
	c.events = append(c.events, c.analyser.Close()...)
	c.sensors.Close()
}

// Take returns what the frames since it was last called give.
func (c *Course) Take() Stretch {
	s := Stretch{Events: c.events, LeftOut: c.analyser.TakeLeftOut(), sensors: c.sensors.Take(), coverage: c.coverage.Take()}
	c.events = nil
	return s
}

// forms of the bytes of a state and of a stretch: they change with what is written
// and what it means.
const (
	courseForm  = "course 1, method " + MethodVersion
	stretchForm = "stretch 1, method " + MethodVersion
)

// State returns all of the frames so far that may show in what is to come. Courses
// of one dwelling, described alike, with the same state give the same for the same
// further frames. It panics where the course is not at rest.
func (c *Course) State() []byte {
	if !c.AtRest() {
		panic("analysis: the state of a course that is not at rest")
	}
	var w wire.Writer
	w.At(c.newest)
	c.analyser.Carry(&w)
	c.sensors.Carry(&w)
	return w.Sealed(courseForm)
}

// ResumeCourse returns a course of the dwelling that goes on from a state. The error
// is [wire.ErrDamaged] where the bytes are damaged or of another version.
func ResumeCourse(study *greywatt.Study, d *greywatt.Dwelling, state []byte) (*Course, error) {
	r, err := wire.Open(state, courseForm)
	if err != nil {
		return nil, fmt.Errorf("the state of %s: %w", d.ID, err)
	}
	c := NewCourse(study, d)
	if c.newest = r.At(); c.newest != 0 {
		c.analyser.Resume(r)
		c.sensors.Resume(r)
	}
	if err := r.End(); err != nil {
		return nil, fmt.Errorf("the state of %s: %w", d.ID, err)
	}
	return c, nil
}

// A Stretch is what the frames of one stretch of time give, for [Join].
type Stretch struct {
	Events  []event.Event      // that ended in it, with their budgets
	LeftOut []greywatt.Instant // starts of the events that the journal leaves out

	sensors  health.Part
	coverage completeness.Part
}

// Marshal returns the stretch as bytes, without the dwelling's id, and without the
// models of events. They are not compressed.
func (s *Stretch) Marshal() []byte {
	var w wire.Writer
	s.coverage.Pack(&w)
	s.sensors.Pack(&w)
	w.Count(len(s.LeftOut))
	for _, at := range s.LeftOut {
		w.At(at)
	}
	event.Pack(&w, s.Events)
	return w.Sealed(stretchForm)
}

// UnmarshalStretch returns a stretch of the dwelling as it was marshalled, to the
// last bit. The error is [wire.ErrDamaged] where the bytes are damaged or of another
// version.
func UnmarshalStretch(d *greywatt.Dwelling, b []byte) (s Stretch, err error) {
	r, err := wire.Open(b, stretchForm)
	if err == nil {
		s.coverage.Unpack(r)
		s.sensors.Unpack(r)
		for range r.Count(1) {
			s.LeftOut = append(s.LeftOut, r.At())
		}
		s.Events = event.Unpack(r, d.ID)
		err = r.End()
	}
	if err != nil {
		return Stretch{}, fmt.Errorf("a stretch of %s: %w", d.ID, err)
	}
	return s, nil
}

// Join returns the result of stretches of a dwelling that follow each other, as
// [Run] gives it of their frames. The last of them ends the data where its course
// was closed before it was taken. Of a period the frames are those that its Around
// says, and the stretches must be cut at its bounds.
func Join(study *greywatt.Study, d *greywatt.Dwelling, o Options, stretches ...*Stretch) Result {
	j := NewJoiner(study, d, o)
	for _, s := range stretches {
		j.Add(s)
	}
	return j.Result()
}

// A Joiner joins stretches one by one, for those who do not have all of them at
// once.
type Joiner struct {
	study    *greywatt.Study
	options  Options
	result   Result
	sensors  *health.Watch
	coverage completeness.Sum
}

// NewJoiner returns a joiner of no stretch.
func NewJoiner(study *greywatt.Study, d *greywatt.Dwelling, o Options) *Joiner {
	j := &Joiner{study: study, options: o, result: Result{Dwelling: d}, sensors: health.New(study, d)}
	j.result.History.Contributions = o.Compact && o.Sums
	return j
}

// Add adds the next stretch. It keeps the stretch's events.
func (j *Joiner) Add(s *Stretch) {
	r, period := &j.result, j.options.Period
	for i := range s.Events {
		switch e := &s.Events[i]; {
		case !period.Contains(e.Start):
		case j.options.Compact:
			r.History.Add(*e)
		default:
			r.Events = append(r.Events, *e)
		}
	}
	for _, start := range s.LeftOut {
		if period.Contains(start) {
			r.LeftOut++
		}
	}
	if at := s.coverage.First(); at != 0 && period.Contains(at) {
		j.coverage.Add(&s.coverage)
	}
	j.sensors.Add(&s.sensors)
}

// Completeness returns that of the stretches so far.
func (j *Joiner) Completeness() completeness.Result {
	return j.coverage.Result().Without(j.result.Dwelling.LeftOut)
}

// Health returns what the stretches so far show of the sensors.
func (j *Joiner) Health() health.Record { return j.sensors.SoFar() }

// Undiagnosed returns the result of the stretches so far but for health and
// diagnosis; more may be added.
func (j *Joiner) Undiagnosed() Result {
	r := j.result
	r.Completeness = j.Completeness()
	return r
}

// Result returns the result of the stretches so far; more may be added.
func (j *Joiner) Result() Result {
	r := j.Undiagnosed()
	r.Health = j.Health()
	r.Diagnosis = finding.Diagnose(j.study, r.Dwelling, r.All(), &r.Health)
	return r
}
