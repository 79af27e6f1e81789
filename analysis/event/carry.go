package event

import (
	"slices"
	"time"

	"greywatt"
	"greywatt/analysis/wire"
)

// AtRest reports whether no session is open, so that what is carried over is a
// few readings.
func (a *Analyser) AtRest() bool { return !a.open }

// Carry writes, at rest, all of what was read that may show in an event to come,
// and nothing else. What may not, such as a node that has been silent for an hour,
// is not in it, so that analysers that began at different times come to write the
// same. Events and the starts of those left out are not in it: take them before.
func (a *Analyser) Carry(w *wire.Writer) {
	w.At(a.newest)
	lastFlow := a.lastFlow
	if a.newest.Sub(lastFlow) >= settledRestS {
		lastFlow = 0
	}
	w.Int(int64(lastFlow))
	for i := range paceOf {
		w.Int(int64(a.pace.of[(a.pace.next+i)%paceOf]))
	}
	for c := range greywatt.Channel(greywatt.NumChannels) {
		n := a.source[c]
		held := n != nil && a.newest.Sub(n.seen[c]) < handOver
		w.Bool(held)
		if held {
			w.String(n.name)
			w.At(n.seen[c])
		}
		b := a.buf[c].from(a.newest.Add(-a.wants(c)))
		w.Count(len(b.at))
		if len(b.at) == 0 {
			continue
		}
		putSensor(w, &b.sensor)
		for i, at := range b.at {
			w.At(at)
			w.Float(b.v[i])
		}
	}
	w.Count(len(a.room.at))
	for i, at := range a.room.at {
		w.At(at)
		w.Float(a.room.c[i])
	}
}

// Resume makes a new analyser go on from what another wrote at rest. On an error of
// r the analyser is of no use.
func (a *Analyser) Resume(r *wire.Reader) {
	a.newest = r.At()
	a.describe(a.newest)
	a.lastFlow = greywatt.Instant(r.Int())
	for range paceOf {
		dt := greywatt.Instant(r.Int())
		if dt < 0 || dt.Sub(0) > restMostS {
			r.Fail()
		}
		a.pace.add(dt)
	}
	for c := range greywatt.Channel(greywatt.NumChannels) {
		if r.Bool() {
			n := a.node(r.String())
			a.source[c], n.seen[c] = n, r.At()
		}
		n := r.Count(9)
		if n == 0 {
			continue
		}
		b := series{at: make([]greywatt.Instant, n), v: make([]float64, n), sensor: takeSensor(r)}
		for i := range b.at {
			b.at[i], b.v[i] = r.At(), r.Float()
		}
		if !slices.IsSorted(b.at) || b.at[n-1] > a.newest {
			r.Fail()
		}
		a.buf[c] = b
	}
	n := r.Count(9)
	for range n {
		a.room.at, a.room.c = append(a.room.at, r.At()), append(a.room.c, r.Float())
	}
	if n > 0 {
		a.room.last = a.room.at[n-1]
	}
	if !slices.IsSorted(a.room.at) || n > 0 && a.room.last > a.newest {
		r.Fail()
	}
}

func putSensor(w *wire.Writer, s *greywatt.Sensor) {
	w.Byte(byte(s.Channel))
	for _, text := range sensorTexts(s) {
		w.String(*text)
	}
	for _, v := range sensorNumbers(s) {
		w.Float(*v)
	}
	w.Int(int64(s.Calibrated.Year))
	w.Int(int64(s.Calibrated.Month))
	w.Int(int64(s.Calibrated.Day))
}

func takeSensor(r *wire.Reader) (s greywatt.Sensor) {
	s.Channel = greywatt.Channel(r.Byte())
	for _, text := range sensorTexts(&s) {
		*text = r.String()
	}
	for _, v := range sensorNumbers(&s) {
		*v = r.Float()
	}
	s.Calibrated.Year = int(r.Int())
	s.Calibrated.Month = time.Month(r.Int())
	s.Calibrated.Day = int(r.Int())
	return s
}

func sensorTexts(s *greywatt.Sensor) []*string {
	return []*string{&s.Node, &s.Name, &s.Batch, &s.Certificate}
}

func sensorNumbers(s *greywatt.Sensor) []*float64 {
	return []*float64{&s.OffsetK, &s.U95K, &s.ResponseS, &s.LossFraction, &s.Scale, &s.U95Relative, &s.BatchU95K, &s.BatchU95Relative}
}
