package kept

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"

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
	all := slices.Clone(w.ahead)
	var next atomic.Int64
	for range min(w.workers, len(all)) {
		under.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(all); i = int(next.Add(1)) - 1 {
				to := greywatt.Instant(toEnd)
				if i+1 < len(all) {
					to = all[i+1].from
				}
				all[i].pieces <- w.workOut(ctx, all[i].from, to, last)
			}
		})
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
