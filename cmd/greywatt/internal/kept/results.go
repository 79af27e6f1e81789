// Package kept keeps what the analysis of dwellings gave, so that nothing is
// analysed twice, in a file beside the store.
//
// A dwelling's record is cut at rest into stretches of about [pieceDays]. Of each
// the file has what it gave, and hashes of what that depends on: the state in which
// the analysis came to it, the dwelling's description in force, the frames; and the
// build of the program. A stretch is taken from the file where all of them are as
// they were, and is worked out again where one is not, or where that is not certain.
// So the result is, to the byte, that of an analysis of all readings, and a late
// reading costs the stretches that it may touch: those from its own to the first
// that begins in the state in which it did.
//
// The file may be removed at any time. What goes wrong with it costs nothing but
// time, and is said once.
package kept

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"greywatt"
	"greywatt/analysis"
	"greywatt/ingest"
	"greywatt/ingest/store"
)

const (
	// pieceDays is the length of a stretch, days: what is new since the last is
	// analysed each time. This project's choice, as all here.
	pieceDays = 3
	// cutS is when in a day, UTC, it is cut, s: few people shower then.
	cutS = 3 * 3600.0
	// untilRestS is how long after that it looks for a rest again, s.
	untilRestS = 3600.0
	// States are kept of the newest pieces, recent of them, and of every oneOf before.
	recent, oneOf = 16, 4
	// together is how many pieces are written at a time.
	together = 32
)

// toEnd is the end of the last piece, which has what is behind the last cut.
const toEnd = math.MaxInt64

// A Store has the readings.
type Store interface {
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
	Nodes(ctx context.Context) ([]ingest.NodeSummary, error)
	Fingerprints(ctx context.Context, dwelling string, bounds []greywatt.Instant) ([]store.Fingerprint, error)
}

// A Note is told what went wrong with the file.
type Note func(what string, err error)

// Results are those of a folder's dwellings.
type Results struct {
	file *File // nil: none are kept
	by   Hash
	note Note
}

// Open opens what is kept in a folder. It never fails: what cannot be kept is
// worked out. The note is told of each kind of trouble once.
func Open(dir string, note Note) *Results {
	r := None()
	r.by, r.note = build(), once(note)
	file, reset, err := OpenFile(dir)
	if reset != "" {
		r.note(unused, errors.New(reset))
	}
	if err != nil {
		r.note(notKept, err)
		return r
	}
	r.file = file
	return r
}

// None returns results that are not kept.
func None() *Results { return &Results{note: func(string, error) {}} }

const (
	unused  = "results kept before are not used; they are worked out again"
	notKept = "results cannot be kept; they are worked out each time"
)

// once passes on what it is told the first time.
func once(note Note) Note {
	var mu sync.Mutex
	said := map[string]bool{}
	return func(what string, err error) {
		mu.Lock()
		defer mu.Unlock()
		if !said[what] {
			said[what] = true
			note(what, err)
		}
	}
}

// Erase removes what is kept of a dwelling in a folder.
func Erase(dir, dwelling string) error {
	if _, err := os.Stat(filepath.Join(dir, FileName)); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	f, _, err := OpenFile(dir) // one that is damaged is made anew
	if errors.Is(err, errOther) {
		return nil
	}
	if err != nil {
		return err
	}
	return errors.Join(f.Erase(dwelling), f.Close())
}

// Forget removes what is kept of dwellings that a study does not name.
func (r *Results) Forget(study *greywatt.Study) {
	if !r.Keeps() {
		return
	}
	names, err := r.file.Dwellings()
	for _, name := range names {
		if _, ok := study.Dwelling(name); !ok && err == nil {
			err = r.file.Erase(name)
		}
	}
	if err != nil {
		r.note("results of dwellings that the study does not name could not be removed", err)
	}
}

// Run analyses what the store has of a dwelling, all or that of a period; it gives, to
// the byte, what [analysis.Run] does. What is not kept of a long record, of all of it,
// is worked out by so many workers.
func (r *Results) Run(ctx context.Context, from Store, study *greywatt.Study, d *greywatt.Dwelling, o analysis.Options, workers int) (analysis.Result, error) {
	var j *analysis.Joiner
	w := walk{r: r, ctx: ctx, from: from, study: study, d: d, period: o.Period, workers: workers}
	w.begin = func() { j = analysis.NewJoiner(study, d, o) }
	w.each = func(s *analysis.Stretch) { j.Add(s) }
	s, err := w.stretches()
	if err != nil {
		return analysis.Result{}, err
	}
	out := j.Undiagnosed()
	if kept := s.Diagnosed(); kept != nil {
		out.Health, out.Diagnosis = kept.Health, kept.Diagnosis
	} else {
		out = j.Result()
		s.Keep(&Diagnosed{out.Health, out.Diagnosis})
	}
	out.Damaged = s.Damaged
	return out, nil
}

// Close closes the file; nil has none.
func (r *Results) Close() error {
	if r == nil || r.file == nil {
		return nil
	}
	return r.file.Close()
}

// Keeps reports whether anything is kept.
func (r *Results) Keeps() bool { return r != nil && r.file != nil }

// pieces returns what is kept of a dwelling that shares a time with a period.
func (r *Results) pieces(dwelling string, p analysis.Period) []Piece {
	if r.file == nil {
		return nil
	}
	pieces, damaged, err := r.file.Pieces(dwelling, r.by, p.From, cmp.Or(p.To, toEnd))
	if damaged > 0 {
		r.note(unused, fmt.Errorf("dwelling %s: %d of them are damaged", dwelling, damaged))
	}
	if err != nil {
		r.note(unused, err)
		return nil
	}
	end := greywatt.Instant(math.MinInt64) // pieces overlap in a damaged file only
	return slices.DeleteFunc(pieces, func(p Piece) bool {
		overlaps := p.From < end
		end = max(end, p.To)
		return overlaps
	})
}

// state returns one that is kept, nil where it is not.
func (r *Results) state(dwelling string, at greywatt.Instant, want Hash) []byte {
	if r.file == nil {
		return nil
	}
	state, err := r.file.State(dwelling, at, want)
	if err != nil {
		r.note(unused, err)
	}
	return state
}

// keep makes a change of what is kept of a dwelling.
func (r *Results) keep(dwelling string, c *Change) {
	if r.file == nil || c.empty() {
		return
	}
	if err := r.file.Keep(dwelling, c); err != nil {
		r.note(notKept, err)
	}
}

// Resume returns the stretches up to the last cut before an instant, and a course that goes on
// from there, or from a little later; at is the instant of the first frame to give
// it.
func (r *Results) Resume(ctx context.Context, from Store, study *greywatt.Study, d *greywatt.Dwelling, until greywatt.Instant) (s Stretches, course *analysis.Course, at greywatt.Instant, err error) {
	w := walk{r: r, ctx: ctx, from: from, study: study, d: d, until: until}
	s, err = w.stretches()
	return s, w.course, w.at, err
}
