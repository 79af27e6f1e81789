package kept

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"sync"

	"greywatt"
	"greywatt/analysis"
	"greywatt/ingest/store"
)

// errDoubt means that what is kept does not fit together.
var errDoubt = errors.New("what is kept does not fit together")

// stretches walks; anew where what is kept does not fit together.
func (w *walk) stretches() (Stretches, error) {
	err := w.run()
	if errors.Is(err, errDoubt) {
		w.r.note(unused, fmt.Errorf("dwelling %s: %w", w.d.ID, err))
		*w = walk{r: w.r, ctx: w.ctx, from: w.from, study: w.study, d: w.d, until: w.until, period: w.period, workers: w.workers, begin: w.begin, each: w.each, anew: true}
		err = w.run()
	}
	if err != nil {
		return Stretches{}, fmt.Errorf("dwelling %s: %w", w.d.ID, err)
	}
	s := Stretches{r: w.r, d: w.d, of: w.got, Damaged: w.damaged, kind: "all"}
	switch {
	case w.until != 0:
		s.kind = "cut"
	case w.ofPeriod():
		s.kind = periodKind(w.period)
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

// A walk goes through a dwelling's record from its beginning to its end, or through a
// period of it.
type walk struct {
	r     *Results
	ctx   context.Context
	from  Store
	study *greywatt.Study
	d     *greywatt.Dwelling
	anew  bool             // what is kept is not used
	until greywatt.Instant // where it ends, at a cut; 0: at the end

	period analysis.Period // zero: all
	had    []Piece         // what was kept of it, without stretches

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
		pieces = w.r.pieces(w.d.ID, w.period)
	} else {
		w.change.Gone = []Piece{{From: 0, To: toEnd}}
	}
	held, err := w.heldNow(pieces)
	if err != nil {
		return err
	}
	w.course = analysis.NewCourse(w.study, w.d)
	w.state = HashOf(w.course.State())
	if err := w.enter(pieces); err != nil {
		return err
	}
	for ended := false; !ended; {
		for len(pieces) > 0 && pieces[0].From < w.at { // it was worked out beyond its beginning
			if !pieces[0].ahead && !w.ofPeriod() {
				w.change.Gone = append(w.change.Gone, pieces[0])
			}
			pieces, held = pieces[1:], held[1:]
		}
		if len(pieces) == 0 && !forked && !w.ofPeriod() {
			forked = true
			w.fork(ctx, &under, last)
		}
		if len(pieces) == 0 && len(w.ahead) > 0 && w.at >= w.ahead[0].from {
			pieces = w.takeAhead(ctx)
			held = make([]Hash, len(pieces))
			continue
		}
		if end := cmp.Or(w.until, w.period.To); end != 0 && len(pieces) > 0 && pieces[0].To > end {
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
	if w.until == 0 && !w.ofPeriod() {
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

// resume makes the course where the walk stands: of the state there, or else of the
// newest before, from which it reads again.
func (w *walk) resume() error {
	if w.course != nil {
		return nil
	}
	from, behind := w.start(), -1
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
	if w.at.Sub(from) > 2*analysis.RunInS {
		near, err := w.ranIn()
		if near != nil || err != nil {
			w.course = near
			return err
		}
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

// ranIn returns a course that has come to where the walk stands from somewhat before;
// nil where it is in another state there.
func (w *walk) ranIn() (*analysis.Course, error) {
	course := analysis.NewCourse(w.study, w.d)
	if err := w.push(course, w.at.Add(-analysis.RunInS), w.at, nil); err != nil {
		return nil, err
	}
	if !course.AtRest() || HashOf(course.State()) != w.state {
		return nil, nil
	}
	course.Take()
	return course, nil
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
		h.damaged = h.damaged || len(damaged) > 0
		for _, e := range damaged {
			// What is damaged across a cut is met from both sides.
			if !slices.ContainsFunc(w.damaged, func(was error) bool { return was.Error() == e.Error() }) {
				w.damaged = append(w.damaged, e)
			}
		}
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
	h := w.hasher()
	var before []store.Fingerprint
	for at := w.at; ; {
		p.To = at.Add(untilRestS)
		if at == w.at {
			p.To = p.Aim
		}
		ended = p.To > last
		if end := w.period.To; end != 0 && (ended || p.To > end) {
			return true, w.leave(at, h)
		}
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
		if h.frames == 0 && !h.damaged && !ended { // a silence: on to where it ends
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
	if h.damaged || h.frames == 0 || w.r.file == nil { // nothing is to name a dwelling that was erased
		w.at, w.state = p.To, p.Ends
		return ended, w.give(got{stretch: stretch})
	}
	if !w.keepable(&p) {
		w.advance(&p, w.course)
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
