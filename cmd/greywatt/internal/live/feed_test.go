package live

import (
	"testing"

	"greywatt"
)

func readings(n int, from greywatt.Instant) []greywatt.Reading {
	rs := make([]greywatt.Reading, n)
	for i := range rs {
		rs[i] = greywatt.Reading{Dwelling: "d", Node: "n", Channel: greywatt.WasteIn, At: from + greywatt.Instant(i), Value: 20}
	}
	return rs
}

// Whoever commits never waits for a page that takes nothing: put returns when
// every buffer is full, and what is lost is counted.
func TestFeedNeverWaits(t *testing.T) {
	f := newFeed()
	for i := range 3 * feedBuffers {
		f.put(readings(10, greywatt.Instant(1+100*i)))
	}
	if got, want := f.lost.Load(), int64(2*feedBuffers*10); got != want {
		t.Errorf("%d readings lost, want %d", got, want)
	}
	for i := range feedBuffers {
		rs := <-f.full
		if len(rs) != 10 || rs[0].At != greywatt.Instant(1+100*i) {
			t.Errorf("buffer %d holds %d readings from %d", i, len(rs), rs[0].At)
		}
		f.free <- rs
	}
	f.put(readings(5, 7))
	if rs := <-f.full; len(rs) != 5 {
		t.Errorf("%d readings after the buffers came back, want 5", len(rs))
	}
}

// Of a flood the newest part is passed on, and the caller's slice may be reused.
func TestFeedTakesTheNewest(t *testing.T) {
	f := newFeed()
	rs := readings(feedReadings+7, 1)
	f.put(rs)
	clear(rs)
	got := <-f.full
	if len(got) != feedReadings || got[0].At != 8 || got[len(got)-1].At != feedReadings+7 {
		t.Errorf("%d readings from %d to %d", len(got), got[0].At, got[len(got)-1].At)
	}
	if f.lost.Load() != 7 {
		t.Errorf("%d lost, want 7", f.lost.Load())
	}
}
