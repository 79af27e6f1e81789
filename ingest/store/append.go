package store

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// Append stores readings and returns once they are on disk: all of them, or, on
// error, none. It may be given the same readings again and readings of any age
// in any order; of two values for one channel of one node at one instant the
// first stays. An error that wraps [ErrFull] calls for the same Append later.
// Values must be finite, channels known and instants after 1970; every value
// comes back with the very bits it had, but for -0, which is 0.
//
// The price of a call is one flush to disk, so readings are better given by the
// thousand than one by one.
func (s *Store) Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error) {
	if len(rs) == 0 {
		return ingest.Counts{}, nil
	}
	batches, err := sortReadings(rs)
	defer recycle(batches)
	if err != nil {
		return ingest.Counts{}, fmt.Errorf("%s: %w", s.path, err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.appendBatches(ctx, batches)
}

// appendBatches stores batches in one transaction. The caller holds s.mu.
func (s *Store) appendBatches(ctx context.Context, batches []*batch) (ingest.Counts, error) {
	a := appender{s: s, c: s.w}
	err := s.write(ctx, func(c *sqlite.Conn) error {
		for _, b := range batches {
			if err := a.append(b); err != nil {
				return err
			}
		}
		if a.counts.Conflict == 0 {
			return nil
		}
		return run(c, "DELETE FROM conflict WHERE id <= (SELECT max(id) FROM conflict) - ?", s.opts.MaxConflicts)
	})
	if err != nil {
		return ingest.Counts{}, err
	}
	return a.counts, nil
}

// A batch is the readings of one node in one Append, as frames in order of time.
// Of one instant there may be several frames, in order of arrival.
type batch struct {
	nodeKey
	frames []greywatt.Frame
	sorted bool
}

const maxInstant = greywatt.Instant(math.MaxInt64)

// sortReadings makes frames of readings, node by node.
func sortReadings(rs []greywatt.Reading) ([]*batch, error) {
	var batches []*batch
	byNode := make(map[nodeKey]*batch)
	var b *batch
	for i := range rs {
		r := &rs[i]
		if r.Channel >= greywatt.NumChannels || r.At <= 0 || r.At == maxInstant || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || r.Dwelling == "" {
			return batches, fmt.Errorf("reading %d of %d cannot be stored: dwelling %q, node %q, %s, instant %d, value %v: want a dwelling, a known channel, an instant after 1970 and a finite value",
				i+1, len(rs), r.Dwelling, r.Node, r.Channel, r.At, r.Value)
		}
		if b == nil || b.node != r.Node || b.dwelling != r.Dwelling {
			k := nodeKey{r.Dwelling, r.Node}
			if b = byNode[k]; b == nil {
				b = &batch{nodeKey: k, sorted: true, frames: spareFrames()}
				byNode[k] = b
				batches = append(batches, b)
			}
		}
		n := len(b.frames)
		if n == 0 || b.frames[n-1].At != r.At || !math.IsNaN(b.frames[n-1].Value[r.Channel]) {
			b.sorted = b.sorted && (n == 0 || b.frames[n-1].At <= r.At)
			b.frames = append(b.frames, greywatt.Frame{At: r.At, Node: b.node, Value: greywatt.NoValues()})
			n++
		}
		b.frames[n-1].Value[r.Channel] = r.Value + 0 // -0 becomes 0, as SQLite would make it
	}
	for _, b := range batches {
		if !b.sorted {
			sortFrames(b.frames)
		}
	}
	return batches, nil
}

// spare are the frames of batches that are stored, for the next: an import makes
// millions. They are put back while few and usual in size.
var spare = make(chan []greywatt.Frame, 8)

const spareMost = 1 << 15 // frames, 3 MB

func spareFrames() []greywatt.Frame {
	select {
	case frames := <-spare:
		return frames[:0]
	default:
		return nil
	}
}

func recycle(batches []*batch) {
	for _, b := range batches {
		if cap(b.frames) < directFrames || cap(b.frames) > spareMost {
			continue
		}
		select {
		case spare <- b.frames:
		default:
			return
		}
	}
}

func sortFrames(frames []greywatt.Frame) {
	slices.SortStableFunc(frames, func(f, g greywatt.Frame) int { return cmp.Compare(f.At, g.At) })
}
