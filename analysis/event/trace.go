package event

import "greywatt"

// Trace makes the analyser keep the series and the models of the event with the
// given id, should it come: see [Analyser.Traced].
func (a *Analyser) Trace(id string) { a.traceID = id }

// Traced returns the event that [Analyser.Trace] asked for and its series, from
// two minutes before it to three after; ok is false where it has not come.
func (a *Analyser) Traced() (e Event, tr Trace, ok bool) {
	return a.traced.event, a.traced.trace, a.traced.found
}

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
		for c := range greywatt.Channel(greywatt.NumPorts) {
			tr.Port[c] = append(tr.Port[c], w.port.Of(c).water[k])
			tr.Surface[c] = append(tr.Surface[c], w.port.Of(c).surface[k])
		}
	}
	return tr
}
