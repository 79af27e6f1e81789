package watch

import (
	"greywatt"
	"greywatt/analysis"
)

// A reading is how far a follower has come through the log.
type reading struct {
	course   *analysis.Course // nil while it rests
	state    []byte           // of the course that rests: a tenth of its memory
	taken    bool             // what the course gave so far
	sum      *analysis.Joiner // of sensors and completeness; events are found.Events
	next     greywatt.Instant // first instant not yet analysed
	keepAt   greywatt.Instant // when something is to be kept again
	pushed   int64            // readings analysed
	unread   int64            // that the log counts and does not give: it is damaged
	damaged  int
	lastFlow greywatt.Instant
}

func (f *follower) newReading() *reading {
	of := analysis.Options{Compact: true}
	return &reading{course: analysis.NewCourse(f.w.cfg.Study, f.dwelling), sum: analysis.NewJoiner(f.w.cfg.Study, f.dwelling, of)}
}

// rest lets go of the course where its state is all that is needed to go on.
func (r *reading) rest() {
	if r.course != nil && r.taken && r.course.AtRest() {
		r.state, r.course = r.course.State(), nil
	}
}

// wake makes a course that rests go on.
func (r *reading) wake(study *greywatt.Study, d *greywatt.Dwelling) error {
	if r.course != nil {
		return nil
	}
	course, err := analysis.ResumeCourse(study, d, r.state)
	if err != nil {
		return err
	}
	r.course, r.state = course, nil
	return nil
}
