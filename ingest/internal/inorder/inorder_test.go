package inorder

import (
	"context"
	"errors"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

type piece struct{ n, square int }

// squares is the work of squaring 0 to n-1, several to a batch.
func squares(n, stretches, workers int, held *atomic.Int64, end error, handle func(context.Context, *[]int) error) Work[*piece, *[]int] {
	w := Work[*piece, *[]int]{
		Workers: workers,
		Read: func(next func() (*piece, error), read func(*piece)) error {
			for i := range n {
				p, err := next()
				if err != nil {
					return err
				}
				held.Add(1)
				p.n = i
				read(p)
			}
			return end
		},
		Worker: func() func(*piece) {
			return func(p *piece) {
				for range rand.IntN(20) {
					runtime.Gosched()
				}
				p.square = p.n * p.n
			}
		},
		Gather: func(b *[]int, p *piece, full func(*[]int) (*[]int, error)) (*[]int, error) {
			held.Add(-1)
			if *b = append(*b, p.square); p.n%7 == 6 {
				return full(b)
			}
			return b, nil
		},
		Handle:  handle,
		Batches: []*[]int{{}, {}},
	}
	for range stretches {
		w.Stretches = append(w.Stretches, &piece{})
	}
	return w
}

// However many workers there are, what is handed on is what one would have made, and
// no more is held than there are stretches.
func TestOrder(t *testing.T) {
	for range 200 {
		n, stretches, workers := rand.IntN(60), 1+rand.IntN(6), 1+rand.IntN(5)
		var end error
		if rand.IntN(2) == 0 {
			end = errors.New("breaks off")
		}
		var held atomic.Int64
		var got []int
		err := Run(t.Context(), squares(n, stretches, workers, &held, end, func(_ context.Context, b *[]int) error {
			if h := held.Load(); h > int64(stretches) {
				t.Errorf("%d held of %d", h, stretches)
			}
			got = append(got, *b...)
			*b = (*b)[:0]
			return nil
		}))
		var want []int
		for i := range n {
			want = append(want, i*i)
		}
		if !errors.Is(err, end) || !slices.Equal(got, want) {
			t.Fatalf("%d of %d stretches by %d workers: %v, %v", n, stretches, workers, got, err)
		}
	}
}

// What is handed on ends with the first error, or when nobody waits any more.
func TestEnds(t *testing.T) {
	broken := errors.New("no room")
	for _, cancelled := range []bool{false, true} {
		ctx, cancel := context.WithCancel(t.Context())
		var held atomic.Int64
		calls := 0
		err := Run(ctx, squares(1000, 4, 3, &held, nil, func(context.Context, *[]int) error {
			if calls++; calls < 3 {
				return nil
			}
			if cancelled {
				cancel()
				return nil
			}
			return broken
		}))
		cancel()
		want := broken
		if cancelled {
			want = context.Canceled
		}
		if !errors.Is(err, want) || calls != 3 {
			t.Errorf("cancelled %v: %v after %d calls", cancelled, err, calls)
		}
	}
}
