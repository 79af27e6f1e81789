package live

import (
	"sync/atomic"
	"time"

	"greywatt"
)

// A feed passes committed readings from the logger to the page. The logger
// never waits: where no buffer is free what it gives is dropped and counted,
// and of a large commit only the newest part is copied. What is dropped is
// missing from the drawing of the last minutes alone; it is on disk.
type feed struct {
	free, full chan []greywatt.Reading
	lost       atomic.Int64 // readings not passed on
	last       time.Time    // when something was last put in
}

const (
	feedBuffers  = 8
	feedReadings = 4096 // in each
)

func newFeed() *feed {
	f := &feed{free: make(chan []greywatt.Reading, feedBuffers), full: make(chan []greywatt.Reading, feedBuffers)}
	for range feedBuffers {
		f.free <- nil
	}
	return f
}

// rested reports whether nothing was put in for a while.
func (f *feed) rested(a time.Duration) bool { return time.Since(f.last) >= a }

// put copies the newest of rs. A reader of full puts each buffer back into free.
func (f *feed) put(rs []greywatt.Reading) {
	if over := len(rs) - feedReadings; over > 0 {
		f.lost.Add(int64(over))
		rs = rs[over:]
	}
	if len(rs) == 0 {
		return
	}
	f.last = time.Now()
	select {
	case b := <-f.free:
		f.full <- append(b[:0], rs...) // there is room for all the buffers there are
	default:
		f.lost.Add(int64(len(rs)))
	}
}
