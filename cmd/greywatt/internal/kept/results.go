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
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"iter"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"sync"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
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

// Run analyses all that the store has of a dwelling; it gives, to the byte, what
// [analysis.Run] does. What is not kept of a long record is worked out by so many
// workers. The options have no period.
func (r *Results) Run(ctx context.Context, from Store, study *greywatt.Study, d *greywatt.Dwelling, o analysis.Options, workers int) (analysis.Result, error) {
	var j *analysis.Joiner
	w := walk{r: r, ctx: ctx, from: from, study: study, d: d, workers: workers}
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

// pieces returns what is kept of a dwelling.
func (r *Results) pieces(dwelling string) []Piece {
	if r.file == nil {
		return nil
	}
	pieces, damaged, err := r.file.Pieces(dwelling, r.by)
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

// build is the hash of all that the program's figures depend on: how it was made,
// and where the source was not that of a revision, the program's file as it is.
func build() Hash {
	h := sha256.New()
	fmt.Fprintln(h, analysis.MethodVersion, runtime.GOOS, runtime.GOARCH)
	made := map[string]string{}
	if info, ok := debug.ReadBuildInfo(); ok {
		fmt.Fprintln(h, info)
		for _, s := range info.Settings {
			made[s.Key] = s.Value
		}
	}
	if made["vcs.revision"] == "" || made["vcs.modified"] != "false" {
		name, err := os.Executable()
		if err == nil {
			var file fs.FileInfo
			if file, err = os.Stat(name); err == nil {
				fmt.Fprintln(h, file.Size(), file.ModTime().UnixNano())
			}
		}
		if err != nil { // not known: like no other
			fmt.Fprintln(h, rand.Text())
		}
	}
	var of Hash
	h.Sum(of[:0])
	return of
}

// errDoubt means that what is kept does not fit together.
var errDoubt = errors.New("what is kept does not fit together")

// Resume returns the stretches up to the last cut before an instant, and a course that goes on
// from there, or from a little later; at is the instant of the first frame to give
// it.
func (r *Results) Resume(ctx context.Context, from Store, study *greywatt.Study, d *greywatt.Dwelling, until greywatt.Instant) (s Stretches, course *analysis.Course, at greywatt.Instant, err error) {
	w := walk{r: r, ctx: ctx, from: from, study: study, d: d, until: until}
	s, err = w.stretches()
	return s, w.course, w.at, err
}

// stretches walks; anew where what is kept does not fit together.
func (w *walk) stretches() (Stretches, error) {
	err := w.run()
	if errors.Is(err, errDoubt) {
		w.r.note(unused, fmt.Errorf("dwelling %s: %w", w.d.ID, err))
		*w = walk{r: w.r, ctx: w.ctx, from: w.from, study: w.study, d: w.d, until: w.until, workers: w.workers, begin: w.begin, each: w.each, anew: true}
		err = w.run()
	}
	if err != nil {
		return Stretches{}, fmt.Errorf("dwelling %s: %w", w.d.ID, err)
	}
	s := Stretches{r: w.r, d: w.d, of: w.got, Damaged: w.damaged, kind: "all"}
	if w.until != 0 {
		s.kind = "cut"
	}
	if len(w.chain) == w.given {
		s.key = w.key()
	}
	return s, nil
}

// give gives a stretch to who waits for it, or else holds it.
func (w *walk) give(g got) error {
	w.given++
	if w.each == nil {
		w.got = append(w.got, g)
		return nil
	}
	stretch, err := g.unpacked(w.r.file, w.d)
	if err == nil {
		w.each(&stretch)
	}
	return err
}

// key is the hash of all that findings depend on: of what the stretches depend on, and
// of all that the study says of the dwelling.
func (w *walk) key() (of Hash) {
	h := sha256.New()
	fmt.Fprintf(h, "%x %s %+v", w.r.by, w.study.Location(), *w.d)
	for i := range w.chain {
		p := &w.chain[i]
		fmt.Fprint(h, p.From, p.To)
		h.Write(p.Begins[:])
		h.Write(p.Settings[:])
		h.Write(p.Frames[:])
	}
	h.Sum(of[:0])
	return of
}

// Stretches are those of all that the store has of a dwelling. What of them is kept stays
// packed until it is wanted.
type Stretches struct {
	r       *Results
	d       *greywatt.Dwelling
	of      []got
	kind    string
	key     Hash    // of all that findings of them depend on; zero: not known
	Damaged []error // parts of the store that could not be read
}

// Diagnosed is what comes of all stretches together.
type Diagnosed struct {
	Health    health.Record
	Diagnosis finding.Diagnosis
}

// Diagnosed returns what was kept of the stretches together; nil where nothing was.
func (s *Stretches) Diagnosed() *Diagnosed {
	if s.r.file == nil || s.key == (Hash{}) {
		return nil
	}
	b, err := s.r.file.Diagnosis(s.d.ID, s.kind, s.key)
	if err != nil {
		s.r.note(unused, err)
	}
	kept := new(Diagnosed)
	if b == nil || restore(b, kept) != nil {
		return nil
	}
	return kept
}

// Keep keeps what comes of the stretches together.
func (s *Stretches) Keep(d *Diagnosed) {
	if s.r.file == nil || s.key == (Hash{}) {
		return
	}
	b, err := lossless(d)
	if err == nil {
		err = s.r.file.KeepDiagnosis(s.d.ID, s.kind, s.key, b)
	}
	if err != nil {
		s.r.note(notKept, err)
	}
}

// A got is a stretch, packed where it is kept.
type got struct {
	packed  []byte
	stretch analysis.Stretch
}

func (g *got) unpacked(f *File, d *greywatt.Dwelling) (analysis.Stretch, error) {
	if g.packed == nil {
		return g.stretch, nil
	}
	b, err := f.Unpack(g.packed)
	if err != nil {
		return analysis.Stretch{}, errDoubt
	}
	s, err := analysis.UnmarshalStretch(d, b)
	if err != nil {
		return s, errDoubt
	}
	return s, nil
}

// All yields the stretches, once: what was yielded is let go.
func (s *Stretches) All() iter.Seq2[analysis.Stretch, error] {
	return func(yield func(analysis.Stretch, error) bool) {
		for i, g := range s.of {
			s.of[i] = got{}
			stretch, err := g.unpacked(s.r.file, s.d)
			if !yield(stretch, err) || err != nil {
				return
			}
		}
	}
}

// A walk goes through a dwelling's record from its beginning to its end.
type walk struct {
	r     *Results
	ctx   context.Context
	from  Store
	study *greywatt.Study
	d     *greywatt.Dwelling
	anew  bool             // what is kept is not used
	until greywatt.Instant // where it ends, at a cut; 0: at the end

	at        greywatt.Instant // where it has come to
	state     Hash             // of the analysis there
	course    *analysis.Course // there; nil: it is to be made of a state that is kept
	stateHere []byte           // there, where it was worked out ahead
	chain     []Piece          // the kept and keepable ones so far, without their stretches
	given     int              // stretches
	got       []got            // those, where each is nil
	begin     func()           // where each is not: called before the first, and where the walk begins anew
	each      func(*analysis.Stretch)
	change    Change

	damaged []error
	hashes  *hasher

	workers int
	ahead   []*ahead // parts that are worked out meanwhile, in time order
	line    *line    // of them
}

func (w *walk) run() error {
	if w.begin != nil {
		w.begin()
	}
	ctx, cancel := context.WithCancel(w.ctx)
	var under sync.WaitGroup
	defer under.Wait() // so that the caller may close the store
	defer cancel()
	forked := false
	last, err := w.last()
	if err != nil {
		return err
	}
	if w.until != 0 {
		last = min(last, w.until)
	}
	var pieces []Piece
	if !w.anew {
		pieces = w.r.pieces(w.d.ID)
	} else {
		w.change.Gone = []Piece{{From: 0, To: toEnd}}
	}
	held, err := w.heldNow(pieces)
	if err != nil {
		return err
	}
	w.course = analysis.NewCourse(w.study, w.d)
	w.state = HashOf(w.course.State())
	for ended := false; !ended; {
		for len(pieces) > 0 && pieces[0].From < w.at { // it was worked out beyond its beginning
			if !pieces[0].ahead {
				w.change.Gone = append(w.change.Gone, pieces[0])
			}
			pieces, held = pieces[1:], held[1:]
		}
		if len(pieces) == 0 && !forked {
			forked = true
			w.fork(ctx, &under, last)
		}
		if len(pieces) == 0 && len(w.ahead) > 0 && w.at >= w.ahead[0].from {
			pieces = w.takeAhead(ctx)
			held = make([]Hash, len(pieces))
			continue
		}
		if w.until != 0 && len(pieces) > 0 && pieces[0].To > w.until {
			pieces = nil
		}
		if len(pieces) > 0 && pieces[0].From == w.at {
			ok, err := w.take(&pieces[0], held[0])
			if err != nil {
				return err
			}
			if ok {
				pieces, held = pieces[1:], held[1:]
				ended = w.at == toEnd
				continue
			}
		}
		if err := w.resume(); err != nil {
			return err
		}
		if ended, err = w.step(last); err != nil {
			return err
		}
		if len(w.change.New) >= together {
			w.keep()
		}
	}
	if w.until == 0 {
		for _, p := range pieces {
			if !p.ahead {
				w.change.Gone = append(w.change.Gone, p)
			}
		}
		w.thinStates()
	}
	w.keep()
	return nil
}

// last returns the instant of the newest frame.
func (w *walk) last() (last greywatt.Instant, err error) {
	nodes, err := w.from.Nodes(w.ctx)
	for _, n := range nodes {
		if n.Dwelling == w.d.ID && n.Frames > 0 {
			last = max(last, n.Last)
		}
	}
	return last, err
}

// take takes a kept piece over where all it depends on is as it was.
func (w *walk) take(p *Piece, held Hash) (bool, error) {
	if p.Begins != w.state || p.Settings != settings(w.d, p.From, p.To) {
		return false, nil
	}
	if p.ahead {
		p.nth = len(w.chain)
		w.change.New = append(w.change.New, *p)
		if err := w.give(got{packed: p.Stretch}); err != nil {
			return false, err
		}
		w.advance(p, nil)
		w.stateHere = p.State
		if len(w.change.New) >= together {
			w.keep()
		}
		return true, nil
	}
	if held != p.Held || p.Held == (Hash{}) {
		// Packed anew, perhaps: the frames themselves tell.
		frames, sound, err := w.hash(p)
		if err != nil || !sound || frames != p.Frames {
			return false, err
		}
		p.Held = held
		w.change.Held = append(w.change.Held, *p)
	}
	err := w.give(got{packed: p.Stretch})
	w.advance(p, nil)
	return true, err
}

// advance puts a piece on the chain.
func (w *walk) advance(p *Piece, course *analysis.Course) {
	on := *p
	on.Stretch, on.State = nil, nil
	w.chain = append(w.chain, on)
	w.at, w.state, w.course = p.To, p.Ends, course
}

// hash returns that of a piece's frames as they are now, and whether all could be
// read.
func (w *walk) hash(p *Piece) (of Hash, sound bool, err error) {
	h := w.hasher()
	damaged, err := analysis.Each(w.from.Frames(w.ctx, w.d.ID, p.From, p.To), func(frames []greywatt.Frame) error {
		h.add(frames)
		return nil
	})
	if err := errors.Join(err, w.ctx.Err()); err != nil {
		return of, false, err
	}
	return h.sum(), len(damaged) == 0, nil
}

// resume makes the course where the walk stands: of the state there, or else of the
// newest before, from which it reads again.
func (w *walk) resume() error {
	if w.course != nil {
		return nil
	}
	from, behind := greywatt.Instant(0), -1
	var course *analysis.Course
	for k := len(w.chain) - 1; k >= 0 && course == nil; k-- {
		state := w.stateHere
		if k < len(w.chain)-1 || HashOf(state) != w.state {
			state = w.r.state(w.d.ID, w.chain[k].To, w.chain[k].Ends)
		}
		if state == nil {
			continue
		}
		c, err := analysis.ResumeCourse(w.study, w.d, state)
		if err != nil {
			return errDoubt
		}
		course, from, behind = c, w.chain[k].To, k
	}
	if course == nil {
		course = analysis.NewCourse(w.study, w.d)
	}
	for _, p := range w.chain[behind+1:] {
		if err := w.push(course, from, p.To, nil); err != nil {
			return err
		}
		from = p.To
	}
	course.Take()
	if HashOf(course.State()) != w.state {
		return errDoubt
	}
	w.course = course
	return nil
}

// push gives a course the frames from from to before to, and h besides.
func (w *walk) push(course *analysis.Course, from, to greywatt.Instant, h *hasher) error {
	damaged, err := analysis.Each(w.from.Frames(w.ctx, w.d.ID, from, to), func(frames []greywatt.Frame) error {
		course.Push(frames)
		if h != nil {
			h.add(frames)
		}
		return nil
	})
	if h != nil {
		w.damaged = append(w.damaged, damaged...)
	}
	return errors.Join(err, w.ctx.Err())
}

// step works out the next piece, or what is behind the last. last is the newest
// instant.
func (w *walk) step(last greywatt.Instant) (ended bool, err error) {
	p := Piece{From: w.at, Aim: cutAfter(w.at)}
	if w.at == 0 {
		if p.Aim, err = w.aim(); err != nil {
			return false, err
		}
	}
	h, damaged := w.hasher(), len(w.damaged)
	var before []store.Fingerprint
	for at := w.at; ; {
		p.To = at.Add(untilRestS)
		if at == w.at {
			p.To = p.Aim
		}
		ended = p.To > last
		if ended && w.until != 0 {
			w.at = at
			return true, nil
		}
		if ended {
			p.To = toEnd
		}
		held, err := w.from.Fingerprints(w.ctx, w.d.ID, []greywatt.Instant{at, p.To})
		if err != nil {
			return false, err
		}
		if err := w.push(w.course, at, p.To, h); err != nil {
			return false, err
		}
		if h.frames == 0 && len(w.damaged) == damaged && !ended { // a silence: on to where it ends
			if p.Aim, err = w.aim(); err != nil {
				return false, err
			}
			continue
		}
		before = append(before, held...)
		if at = p.To; ended || w.course.AtRest() {
			break
		}
	}
	if bounds := p.bounds(); len(bounds) == len(before)+1 {
		after, err := w.from.Fingerprints(w.ctx, w.d.ID, bounds)
		if err != nil {
			return false, err
		}
		if slices.Equal(before, after) {
			p.Held = heldOf(before)
		}
	}
	var state []byte
	if ended {
		w.course.Close()
	} else {
		state = w.course.State()
	}
	stretch := w.course.Take()
	p.Begins, p.Ends, p.Settings, p.Frames = w.state, HashOf(state), settings(w.d, p.From, p.To), h.sum()
	if len(w.damaged) > damaged || h.frames == 0 || w.r.file == nil { // nothing is to name a dwelling that was erased
		w.at, w.state = p.To, p.Ends
		return ended, w.give(got{stretch: stretch})
	}
	p.Stretch, p.State, p.nth = w.r.file.packed(stretch.Marshal()), state, len(w.chain)
	w.change.New = append(w.change.New, p)
	w.advance(&p, w.course)
	g := got{packed: p.Stretch}
	if w.each != nil {
		g = got{stretch: stretch} // it need not be unpacked
	}
	return ended, w.give(g)
}

// aim returns when a piece is to end that begins where the walk stands, by its first
// frame.
func (w *walk) aim() (greywatt.Instant, error) {
	first := greywatt.Instant(toEnd)
	_, err := analysis.Each(w.from.Frames(w.ctx, w.d.ID, w.at, 0), func(frames []greywatt.Frame) error {
		if len(frames) == 0 {
			return nil
		}
		first = frames[0].At
		return errFound
	})
	if err != nil && !errors.Is(err, errFound) || w.ctx.Err() != nil {
		return 0, errors.Join(err, w.ctx.Err())
	}
	if first == toEnd {
		return first, nil
	}
	return cutAfter(first), nil
}

var errFound = errors.New("found")

// cutAfter returns when a piece is to end whose first frame is at an instant.
func cutAfter(first greywatt.Instant) greywatt.Instant {
	const long = pieceDays * 86400e6
	const cut = cutS * 1e6
	return (first-cut)/long*long + long + cut
}

// bounds are those between which the store is asked what it holds.
func (p *Piece) bounds() []greywatt.Instant {
	if p.To == toEnd {
		return []greywatt.Instant{p.From, p.To}
	}
	bounds := []greywatt.Instant{p.From}
	for at := p.Aim; at < p.To; at = at.Add(untilRestS) {
		bounds = append(bounds, at)
	}
	return append(bounds, p.To)
}

// heldNow returns what the store says now that it holds of the times of pieces,
// which are in order.
func (w *walk) heldNow(pieces []Piece) ([]Hash, error) {
	var bounds []greywatt.Instant
	for i := range pieces {
		of := pieces[i].bounds()
		if n := len(bounds); n > 0 && bounds[n-1] == of[0] {
			of = of[1:]
		}
		bounds = append(bounds, of...)
	}
	all, err := w.from.Fingerprints(w.ctx, w.d.ID, bounds)
	if err != nil {
		return nil, err
	}
	held := make([]Hash, len(pieces))
	for i := range pieces {
		p := &pieces[i]
		from, _ := slices.BinarySearch(bounds, p.From)
		to, _ := slices.BinarySearch(bounds, p.To)
		held[i] = heldOf(all[from:to])
	}
	return held, nil
}

func heldOf(all []store.Fingerprint) (of Hash) {
	h := sha256.New()
	for i := range all {
		h.Write(all[i][:])
	}
	h.Sum(of[:0])
	return of
}

// wanted reports whether the state after the nth of n pieces is worth keeping.
func wanted(nth, n int) bool { return n-nth <= recent || nth%oneOf == oneOf-1 }

// thinStates gives up states that will hardly be wanted.
func (w *walk) thinStates() {
	w.change.States = map[greywatt.Instant]bool{}
	for i := range w.chain {
		if wanted(i, len(w.chain)) {
			w.change.States[w.chain[i].To] = true
		}
	}
}

// keep writes what has changed.
func (w *walk) keep() {
	for i := range w.change.New {
		if p := &w.change.New[i]; !wanted(p.nth, len(w.chain)) {
			p.State = nil
		}
	}
	w.change.By = w.r.by
	w.r.keep(w.d.ID, &w.change)
	w.change = Change{}
}

// settings is the hash of all that the study says of a dwelling that may show in the
// stretch from from to to.
func settings(d *greywatt.Dwelling, from, to greywatt.Instant) Hash {
	now := *d.At(from)
	now.Cleaned, now.Breaks, now.Versions, now.LeftOut = nil, nil, nil, nil // of what is made of events, or below
	h := sha256.New()
	fmt.Fprintf(h, "%+v\n", now) // figures that are not stated are NaN, which as text are alike
	for _, v := range d.Versions {
		if v.From > from && v.From < to {
			fmt.Fprintf(h, "from %+v\n", v)
		}
	}
	for _, p := range d.LeftOut {
		if p.From <= to && p.To >= from {
			fmt.Fprintf(h, "left out %d %d\n", p.From, p.To)
		}
	}
	var of Hash
	h.Sum(of[:0])
	return of
}

// A hasher makes the hash of frames.
type hasher struct {
	h      hash.Hash
	frames int
	buf    []byte
}

// hasher returns the walk's, begun anew.
func (w *walk) hasher() *hasher {
	if w.hashes == nil {
		w.hashes = &hasher{h: sha256.New()}
	}
	w.hashes.h.Reset()
	w.hashes.frames = 0
	return w.hashes
}

func (h *hasher) add(frames []greywatt.Frame) {
	b := h.buf[:0]
	for i := range frames {
		f := &frames[i]
		b = binary.AppendUvarint(b, uint64(len(f.Node)))
		b = append(b, f.Node...)
		b = binary.BigEndian.AppendUint64(b, uint64(f.At))
		known, at := byte(0), len(b)
		b = append(b, 0)
		for c, v := range f.Value {
			if v == v {
				known |= 1 << c
				b = binary.BigEndian.AppendUint64(b, math.Float64bits(v))
			}
		}
		b[at] = known
	}
	h.buf = b
	h.h.Write(b)
	h.frames += len(frames)
}

func (h *hasher) sum() (of Hash) {
	h.h.Sum(of[:0])
	return of
}
