package inorder

import (
	"slices"

	"greywatt"
	"greywatt/ingest"
)

// Records are what stretches gave, together: the main part of a batch.
type Records struct {
	Readings []greywatt.Reading
	Rejected []ingest.RejectedRecord
}

// Of gives those who embed Records a way to them.
func (r *Records) Of() *Records { return r }

// Empty reports whether there are none.
func (r *Records) Empty() bool { return len(r.Readings) == 0 && len(r.Rejected) == 0 }

// Clear makes room for the next, and lets go of texts.
func (r *Records) Clear() {
	clear(r.Rejected)
	r.Readings, r.Rejected = r.Readings[:0], r.Rejected[:0]
}

// Most bounds a batch.
type Most struct{ Readings, Rejected int }

// Add adds what a stretch gave to a batch, b, and calls full where there is enough. A
// batch has at most the readings that most says; of rejected records it may have more,
// by those of one stretch. Add returns the batch it has begun.
func Add[B interface{ Of() *Records }](b B, readings []greywatt.Reading, rejected []ingest.RejectedRecord, most Most, full func(B) (B, error)) (_ B, err error) {
	r := b.Of()
	if !r.Empty() && (len(r.Readings)+len(readings) > most.Readings || len(r.Rejected)+len(rejected) > most.Rejected) {
		if b, err = full(b); err != nil {
			return b, err
		}
		r = b.Of()
	}
	if cap(r.Readings) < most.Readings && len(r.Readings)+len(readings) > most.Readings/8 {
		r.Readings = slices.Grow(r.Readings, most.Readings-len(r.Readings)) // once, for growing leaves garbage
	}
	for {
		n := min(len(readings), most.Readings)
		r.Readings, r.Rejected = append(r.Readings, readings[:n]...), append(r.Rejected, rejected...)
		if readings, rejected = readings[n:], nil; len(readings) == 0 {
			return b, nil
		}
		if b, err = full(b); err != nil {
			return b, err
		}
		r = b.Of()
	}
}
