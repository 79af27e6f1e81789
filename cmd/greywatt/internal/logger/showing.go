package logger

import (
	"context"
	"sync"

	"greywatt"
	"greywatt/cmd/greywatt/internal/watch"
)

// A Showing is the analysis that runs, and the page that shows it, if there is
// one: both are of one description of the study, until [Showing.Renew] gives
// them another.
type Showing struct {
	ctx    context.Context
	page   *ServedPage // nil: there is none
	follow func(*greywatt.Study) *watch.Watch
	watch  *watch.Watch
	stop   context.CancelFunc
	runs   sync.WaitGroup // the watch
	pages  sync.WaitGroup
}

// Show starts the analysis that follow returns for a study. It runs until ctx ends.
func Show(ctx context.Context, page *ServedPage, follow func(*greywatt.Study) *watch.Watch, study *greywatt.Study) *Showing {
	s := &Showing{ctx: ctx, page: page, follow: follow}
	s.start(follow(study))
	return s
}

func (s *Showing) start(w *watch.Watch) {
	var ctx context.Context
	ctx, s.stop = context.WithCancel(s.ctx)
	s.watch = w
	s.runs.Go(func() { w.Run(ctx) })
}

// Renew goes on with another description of the study. One goroutine at a time
// may call it.
func (s *Showing) Renew(study *greywatt.Study) {
	s.stop()
	s.runs.Wait()
	if s.page != nil {
		page := s.page.Renew(study)
		s.pages.Go(func() { page.Run(s.ctx) })
	}
	next := s.follow(study)
	next.Continue(s.watch)
	s.start(next)
}

// Wait waits until all has ended.
func (s *Showing) Wait() {
	s.runs.Wait()
	s.pages.Wait()
}
