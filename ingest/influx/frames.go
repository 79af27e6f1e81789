package influx

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strconv"
	"strings"

	"greywatt"
)

// keepFrame drops what a frame is not made of.
var keepFrame = ` |> keep(columns: ["_time", "dwelling", "node", "` + strings.Join(fieldNames[:], `", "`) + `"])`

// How much Frames asks for at a time: a window that should hold pageFrames, and
// is tried narrower if it holds more than mostFrames. Larger pages save next to
// nothing; see the benchmarks.
const (
	pageFrames = 20_000
	mostFrames = 5 * pageFrames

	firstWindow  = 3600 * 1_000_000
	widestWindow = 64 * 24 * 3600 * 1_000_000
	narrowest    = 2 // microseconds: a window of one instant cannot be halved
)

// Frames returns the frames of a dwelling from from (inclusive) to to
// (exclusive), zero meaning no bound, in order of time and, within an instant,
// of node. All channels that a node reported for an instant are one frame, NaN
// where it reported none. A batch is valid until the next step. After an error
// there is nothing more.
//
// It asks for one window after another, so that here and on the server memory
// is needed for some ten thousand frames, however long the history. What is
// written meanwhile ahead of the window being read is among them, what is
// written behind it is not.
func (db *DB) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		s := scan{db: db, dwelling: dwelling, at: max(from, firstInstant), to: to, width: firstWindow}
		if to == 0 || to > lastInstant {
			s.to = lastInstant
		}
		for s.at < s.to {
			frames, err := s.next(ctx)
			if err != nil {
				yield(nil, fmt.Errorf("dwelling %s from %s: %w", dwelling, s.at, err))
				return
			}
			if len(frames) > 0 && !yield(frames, nil) {
				return
			}
		}
	}
}

// A scan is under way through the frames of a dwelling.
type scan struct {
	db       *DB
	dwelling string
	at, to   greywatt.Instant // what is left to read
	width    greywatt.Instant // of the next window
	inside   bool             // the last window had frames
	frames   []greywatt.Frame
}

// errMany ends a query that gives more than fits.
var errMany = errors.New("more frames than asked for")

// next returns the frames of the next window, perhaps none, and moves on.
func (s *scan) next(ctx context.Context) ([]greywatt.Frame, error) {
	if !s.inside {
		// Windows of a gap would be many: go to where it ends.
		var err error
		if s.at, err = s.first(ctx); err != nil || s.at >= s.to {
			return nil, err
		}
	}
	end := s.to
	if s.to-s.at > s.width {
		end = s.at + s.width
	}
	err := s.read(ctx, end)
	if errors.Is(err, errMany) && end-s.at >= narrowest {
		s.width = (end - s.at) / 2
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	n := len(s.frames)
	s.at, s.inside = end, n > 0
	s.width = min(max(s.width*pageFrames/greywatt.Instant(max(n, 1)), s.width/4), 4*s.width, widestWindow)
	return s.frames, nil
}

// series selects the dwelling's values from s.at to end.
func (s *scan) series(end greywatt.Instant) string {
	return s.db.from(measurementReading, s.at, end) + fmt.Sprintf(" |> filter(fn: (r) => r.dwelling == %s)", fluxString(s.dwelling))
}

// first returns the first instant from s.at on that has a value, s.to if none
// has.
func (s *scan) first(ctx context.Context) (greywatt.Instant, error) {
	first := s.to
	err := s.db.query(ctx, s.series(s.to)+` |> limit(n: 1) |> keep(columns: ["_time"])`, func(rec *record) error {
		at, err := rec.instant("_time")
		first = min(first, at)
		return err
	})
	return first, err
}

// read reads the frames before end.
func (s *scan) read(ctx context.Context, end greywatt.Instant) error {
	s.frames = s.frames[:0]
	var node string // of the frame before, whose string serves again
	err := s.db.query(ctx, s.series(end)+pivot+keepFrame, func(rec *record) error {
		r, err := readRow(rec)
		if err != nil {
			return err
		}
		if r.Node != node {
			node = r.Node
		}
		r.Node = node
		if len(s.frames) >= mostFrames && end-s.at >= narrowest {
			return errMany
		}
		s.frames = append(s.frames, r.Frame)
		return nil
	})
	slices.SortFunc(s.frames, func(f, g greywatt.Frame) int {
		return cmp.Or(cmp.Compare(f.At, g.At), cmp.Compare(f.Node, g.Node))
	})
	return err
}

// readRow reads a pivoted row of measurement reading.
func readRow(rec *record) (Row, error) {
	r := Row{Dwelling: rec.text("dwelling"), Frame: greywatt.Frame{Node: rec.text("node"), Value: greywatt.NoValues()}}
	var err error
	if r.At, err = rec.instant("_time"); err != nil {
		return r, fmt.Errorf("time of a frame: %w", err)
	}
	for c, name := range fieldNames {
		text := rec.text(name)
		if text == "" {
			continue
		}
		if r.Value[c], err = strconv.ParseFloat(text, 64); err != nil {
			return r, fmt.Errorf("frame of %s/%s at %s: field %s is not a number: %q: something else writes measurement %s in this bucket",
				r.Dwelling, r.Node, r.At, name, text, measurementReading)
		}
	}
	return r, nil
}

// Dwellings returns the ids of the dwellings of which there are frames, sorted.
func (db *DB) Dwellings(ctx context.Context) ([]string, error) {
	flux := db.from(measurementReading, firstInstant, lastInstant) +
		` |> keep(columns: ["dwelling"]) |> group() |> distinct(column: "dwelling")`
	var ids []string
	err := db.query(ctx, flux, func(rec *record) error {
		ids = append(ids, strings.Clone(rec.text("_value")))
		return nil
	})
	slices.Sort(ids)
	return ids, err
}
