// Package inorder works on the stretches of a file on several cores and hands on what
// comes of them in the file's order, holding a bounded number of them at a time.
package inorder

import (
	"context"
	"sync"
)

// A Work says how stretches of one kind are read, worked on and handed on. A
// stretch goes round, so that its buffers serve again.
type Work[S, B any] struct {
	Stretches []S // those there are; the number of them bounds what is held
	Batches   []B // those there are; two, so that one is filled while one is handed on
	Workers   int

	// Read fills stretches, in the order that everything keeps, and returns after
	// the last. It runs in one goroutine. next gives an empty stretch, read takes it
	// back filled; next fails once nobody wants any more.
	Read func(next func() (S, error), read func(S)) error
	// Worker returns what works on stretches; each worker runs in a goroutine of its
	// own and has one. It depends on nothing but the stretch.
	Worker func() func(S)
	// Gather adds a stretch that was worked on to a batch. Where that is full it calls
	// full, which hands it on and gives an empty one in its place. Gather returns the
	// batch it has begun. It runs in one goroutine, in order.
	Gather func(batch B, s S, full func(B) (B, error)) (B, error)
	// Handle takes a batch. It runs in the caller's goroutine, in order, while the
	// next ones are read and gathered.
	Handle func(ctx context.Context, batch B) error
}

// Run does the work, and returns the first error of Handle or Gather, or that of Read
// once all that was read before has been handed on. When ctx is done Run returns its
// error. It does not wait for Read, which may hang in a read from a terminal, and
// ends after it.
func Run[S, B any](ctx context.Context, w Work[S, B]) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var (
		free    = make(chan S, len(w.Stretches))
		work    = make(chan *task[S], len(w.Stretches))
		ordered = make(chan *task[S], len(w.Stretches))
		empty   = make(chan B, len(w.Batches))
		full    = make(chan B)
		failed  error // of Read or Gather, set before full is closed
	)
	for _, s := range w.Stretches {
		free <- s
	}
	for _, b := range w.Batches {
		empty <- b
	}

	var readErr error // set before ordered is closed
	go func() {
		defer close(ordered)
		defer close(work)
		readErr = w.Read(
			func() (S, error) { return receive(ctx, free) },
			func(s S) {
				t := &task[S]{stretch: s}
				t.done.Add(1)
				work <- t
				ordered <- t
			})
	}()
	for range w.Workers {
		go func() {
			do := w.Worker()
			for t := range work {
				do(t.stretch)
				t.done.Done()
			}
		}()
	}
	go func() {
		defer close(full)
		handOn := func(b B) (B, error) {
			select {
			case full <- b:
				return receive(ctx, empty)
			case <-ctx.Done():
				return b, ctx.Err()
			}
		}
		b, err := receive(ctx, empty)
		for err == nil {
			var t *task[S]
			select {
			case t = <-ordered:
			case <-ctx.Done():
				failed = ctx.Err()
				return
			}
			if t == nil {
				break
			}
			t.done.Wait()
			if b, err = w.Gather(b, t.stretch, handOn); err == nil {
				free <- t.stretch
			}
		}
		if failed = err; err != nil {
			return
		}
		select {
		case full <- b:
			failed = readErr
		case <-ctx.Done():
			failed = ctx.Err()
		}
	}()

	for b := range full {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := w.Handle(ctx, b); err != nil {
			return err
		}
		empty <- b
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return failed
}

// A task is a stretch on its way.
type task[S any] struct {
	stretch S
	done    sync.WaitGroup
}

func receive[T any](ctx context.Context, from <-chan T) (T, error) {
	select {
	case v := <-from:
		return v, nil
	case <-ctx.Done():
		var none T
		return none, ctx.Err()
	}
}
