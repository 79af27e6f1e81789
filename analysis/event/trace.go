package event

import "greywatt"

// TraceEvent analyses the frames of a stretch around one event and returns the
// event with the given id and its series, from two minutes before it to three
// after. The frames must reach back the better part of an hour for the event to
// come out as in a run over all data; ok is false where no such event is in
// them.
func TraceEvent(study *greywatt.Study, d *greywatt.Dwelling, frames []greywatt.Frame, id string) (e Event, tr Trace, ok bool) {
	a := NewAnalyser(study, d)
	a.traceID = id
	a.Push(frames)
	a.Close()
	return a.traced.event, a.traced.trace, a.traced.found
}

// TraceLead is how much before an event's start, in seconds, frames for
// [TraceEvent] should begin, and TraceTail how much after its end they should
// reach.
const (
	TraceLead = 3 * 3600.0
	TraceTail = quietS + 120
)

type traced struct {
	event Event
	trace Trace
	found bool
}

// trace copies the window's series around e.
func (w *window) trace(e *Event) Trace {
	from, to := e.Start.Add(-120), e.End.Add(180)
	tr := Trace{}
	for k, t := range w.t {
		at := w.origin.Add(t)
		if at < from || at > to {
			continue
		}
		tr.At = append(tr.At, at)
		tr.FlowLMin = append(tr.FlowLMin, w.flow[k])
		for c := range tr.Port {
			tr.Port[c] = append(tr.Port[c], w.port[c].water[k])
			tr.Surface[c] = append(tr.Surface[c], w.port[c].surface[k])
		}
	}
	return tr
}
