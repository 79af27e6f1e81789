package retry

import (
	"context"
	"testing"
	"testing/synctest"
	"time"
)

func TestBackoff(t *testing.T) {
	b := Backoff{Least: time.Second, Most: time.Minute}
	ceiling := time.Second
	seen := make(map[time.Duration]bool)
	for range 100 {
		d := b.Step()
		if d < ceiling/2 || d > ceiling {
			t.Fatalf("wait %v, want %v to %v", d, ceiling/2, ceiling)
		}
		seen[d] = true
		ceiling = min(2*ceiling, time.Minute)
	}
	if len(seen) < 50 {
		t.Errorf("%d different waits of 100, want them at random", len(seen))
	}
	b.Reset()
	if d := b.Step(); d > time.Second {
		t.Errorf("after Reset %v, want at most 1 s", d)
	}
}

func TestSleep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		began := time.Now()
		if !Sleep(ctx, time.Second) || time.Since(began) != time.Second {
			t.Errorf("woke after %v", time.Since(began))
		}
		if Sleep(ctx, time.Hour) || time.Since(began) != time.Minute {
			t.Errorf("slept on after its context's end, until %v", time.Since(began))
		}
	})
}
