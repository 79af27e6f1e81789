package influx

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"

	"greywatt"
)

// keepFrame drops what a frame is not made of.
var keepFrame = ` |> keep(columns: ["_time", "dwelling", "node", "` + strings.Join(fieldNames[:], `", "`) + `"])`

// pageFrames is how many values of each series Frames asks for at a time. Larger
// pages save next to nothing; see the benchmarks.
const pageFrames = 5000

// Frames returns the frames of a dwelling from from (inclusive) to to
// (exclusive), zero meaning no bound, in order of time and, within an instant,
// of node. All channels that a node reported for an instant are one frame, NaN
// where it reported none. A batch is valid until the next step. After an error
// there is nothing more.
//
// It asks for page after page, so that here and on the server memory is needed
// for some thousand frames of each node, however long the history. What is
// written meanwhile behind the page being read is among them, what is written
// before it is not.
func (db *DB) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	from = max(from, firstInstant)
	if to == 0 || to > lastInstant {
		to = lastInstant
	}
	return func(yield func([]greywatt.Frame, error) bool) {
		var p page
		for at := from; at < to; at = p.next {
			if err := db.read(ctx, &p, dwelling, at, to); err != nil {
				yield(nil, fmt.Errorf("dwelling %s from %s: %w", dwelling, at, err))
				return
			}
			if len(p.frames) > 0 && !yield(p.frames, nil) {
				return
			}
			if p.next == 0 {
				return
			}
		}
	}
}

// A page is a stretch of a dwelling's frames, complete up to where it ends.
type page struct {
	frames []greywatt.Frame
	next   greywatt.Instant                          // where the next begins; 0 if there is none
	series map[string]*[greywatt.NumChannels]stretch // by node
}

// A stretch is what a page has of one series.
type stretch struct {
	values int
	last   greywatt.Instant
}

// read fills p with what follows from at.
func (db *DB) read(ctx context.Context, p *page, dwelling string, at, to greywatt.Instant) error {
	p.frames, p.next = p.frames[:0], 0
	p.series = make(map[string]*[greywatt.NumChannels]stretch)
	flux := db.from(measurementReading, at, to) +
		fmt.Sprintf(" |> filter(fn: (r) => r.dwelling == %s) |> limit(n: %d)", fluxString(dwelling), pageFrames) +
		pivot + keepFrame
	var node string // of the frame before, whose string serves again
	var stretches *[greywatt.NumChannels]stretch
	err := db.query(ctx, flux, func(rec *record) error {
		r, err := readRow(rec)
		if err != nil {
			return err
		}
		if r.Node != node || stretches == nil {
			if node = r.Node; p.series[node] == nil {
				p.series[node] = new([greywatt.NumChannels]stretch)
			}
			stretches = p.series[node]
		}
		r.Node = node
		p.add(&r.Frame, stretches)
		return nil
	})
	if err != nil {
		return err
	}
	p.finish()
	return nil
}

func (p *page) add(f *greywatt.Frame, stretches *[greywatt.NumChannels]stretch) {
	p.frames = append(p.frames, *f)
	for c, v := range f.Value {
		if !math.IsNaN(v) {
			stretches[c].values++
			stretches[c].last = max(stretches[c].last, f.At)
		}
	}
}

// finish puts the frames in order and ends the page where the first of the
// series that go on was cut off.
func (p *page) finish() {
	slices.SortFunc(p.frames, func(f, g greywatt.Frame) int {
		return cmp.Or(cmp.Compare(f.At, g.At), cmp.Compare(f.Node, g.Node))
	})
	end := lastInstant
	for _, stretches := range p.series {
		for _, s := range stretches {
			if s.values >= pageFrames {
				end = min(end, s.last)
			}
		}
	}
	if end == lastInstant {
		return
	}
	p.next = end + 1
	n, _ := slices.BinarySearchFunc(p.frames, p.next, func(f greywatt.Frame, at greywatt.Instant) int { return cmp.Compare(f.At, at) })
	p.frames = p.frames[:n]
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
