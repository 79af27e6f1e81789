package kept

import (
	"context"
	"math"
	"slices"
	"sync"

	"greywatt"
	"greywatt/analysis"
)

// An ahead is a part of a record that is worked out before the walk comes to it, from
// somewhat before its beginning. Its pieces are taken where the walk comes to them in
// the state in which they began.
type ahead struct {
	from   greywatt.Instant
	pieces chan []Piece
}

// partDays is the least length of a part, days, long beside the run-in, which is
// analysed twice: this project's choice. A test has shorter ones.
var partDays = 40.0

// fork has parts of what is left worked out, so many at a time as there are workers,
// while the walk does the first.
func (w *walk) fork(ctx context.Context, under *sync.WaitGroup, last greywatt.Instant) {
	if w.workers < 2 || w.r.file == nil {
		return
	}
	first := w.at
	if first == 0 {
		at, err := w.aim()
		if err != nil || at == toEnd {
			return // the walk meets it too
		}
		first = at
	}
	parts := int(last.Sub(first) / (partDays * 86400))
	for i := 1; i < parts; i++ {
		a := &ahead{from: cutAfter(first.Add(float64(i) * last.Sub(first) / float64(parts))), pieces: make(chan []Piece, 1)}
		w.ahead = append(w.ahead, a)
	}
	w.line = &line{parts: slices.Clone(w.ahead), last: last, more: sync.NewCond(new(sync.Mutex)), most: w.workers + 1}
	under.Go(func() { // so that those who wait see that it is over
		<-ctx.Done()
		w.line.taken(math.MaxInt32 / 2)
	})
	for range min(w.workers, len(w.ahead)) - 1 {
		under.Go(func() {
			for w.line.work(ctx, w, true) {
			}
		})
	}
}

// A line hands the parts out in their order, no more than most beyond the one that the
// walk has come to, so that few are held at a time.
type line struct {
	parts []*ahead
	last  greywatt.Instant
	most  int

	more *sync.Cond
	next int // to be handed out
	at   int // the walk has taken so many
}

// work does the next part; false where there is none: none yet, where it is not to wait.
func (l *line) work(ctx context.Context, w *walk, wait bool) bool {
	l.more.L.Lock()
	for wait && l.next < len(l.parts) && l.next >= l.at+l.most {
		l.more.Wait()
	}
	i := l.next
	if i >= len(l.parts) || i >= l.at+l.most || ctx.Err() != nil {
		l.more.L.Unlock()
		return false
	}
	l.next++
	l.more.L.Unlock()
	to := greywatt.Instant(toEnd)
	if i+1 < len(l.parts) {
		to = l.parts[i+1].from
	}
	l.parts[i].pieces <- w.workOut(ctx, l.parts[i].from, to, l.last)
	return true
}

// taken notes that the walk has taken so many more parts.
func (l *line) taken(n int) {
	l.more.L.Lock()
	l.at += n
	l.more.L.Unlock()
	l.more.Broadcast()
}

// takeAhead returns the pieces of the part that the walk has come to, and works on
// others while they are not there.
func (w *walk) takeAhead(ctx context.Context) []Piece {
	a := w.ahead[0]
	w.ahead = w.ahead[1:]
	defer w.line.taken(1)
	for {
		select {
		case pieces := <-a.pieces:
			return pieces
		default:
		}
		if !w.line.work(ctx, w, false) {
			break
		}
	}
	select {
	case pieces := <-a.pieces:
		return pieces
	case <-ctx.Done():
		return nil
	}
}

// workOut returns the pieces from from on to one that ends at to or later; fewer
// where something is damaged, or cannot be read, which the walk will find as well.
func (w *walk) workOut(ctx context.Context, from, to, last greywatt.Instant) []Piece {
	on := walk{r: w.r, ctx: ctx, from: w.from, study: w.study, d: w.d, at: from.Add(-analysis.RunInS), until: w.until}
	on.course = analysis.NewCourse(w.study, w.d)
	for until := from; ; until = until.Add(untilRestS) {
		if until > last || on.push(on.course, on.at, until, nil) != nil {
			return nil
		}
		if on.at = until; on.course.AtRest() {
			break
		}
	}
	on.course.Take()
	on.state = HashOf(on.course.State())
	for ended := false; !ended && on.at < to; {
		var err error
		if ended, err = on.step(last); err != nil || len(on.damaged) > 0 {
			break
		}
	}
	for i := range on.change.New {
		on.change.New[i].ahead = true
	}
	return on.change.New
}
