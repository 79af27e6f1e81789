package mqttsource

import (
	"bytes"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"greywatt"
)

// arrivals lets packs arrive for some hours, each so many seconds after the
// last; behind says by how much the newest time in a pack is behind its arrival
// at h hours.
func arrivals(hours, every float64, behind func(h float64) float64) *Clock {
	c := &Clock{Dwelling: "larch-04", Node: "n1"}
	start := greywatt.InstantOf(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC))
	for s := 0.0; s < hours*3600; s += every {
		c.note(start.Add(s), behind(s/3600), false)
	}
	return c
}

func TestClockFault(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	delay := func() float64 { return 0.1 + 2*rng.Float64() } // of the network and of a node that packs
	const day = 86400.0
	tests := []struct {
		name   string
		clock  *Clock
		what   string  // in the fault; empty: none
		offset float64 // s, within 3; NaN: not told
		drift  float64 // s a day, within 1; NaN: not told
	}{
		{"right", arrivals(48, 60, func(float64) float64 { return delay() }), "", 0, 0},
		{"right, a pack an hour", arrivals(30, 3600, func(float64) float64 { return delay() }), "", 0, 0},
		{"right, times relative to now", arrivals(30, 60, func(float64) float64 { return 0 }), "", 0, 0},
		{"nothing came", &Clock{}, "", 0, 0},
		{"months late, catching up in an hour", arrivals(1, 0.5, func(h float64) float64 { return 90 * day * (1 - h) }), "", 0, 0},
		{"months late, catching up over days", arrivals(60, 30, func(h float64) float64 { return 90 * day * (1 - h/100) }), "", 0, 0},
		{"cut off each night", arrivals(48, 60, func(h float64) float64 {
			if math.Mod(h, 24) > 16 {
				return (math.Mod(h, 24) - 16) * 3600
			}
			return delay()
		}), "", 0, 0},
		{"a live pack a day among what was held back", arrivals(24, 60, func(h float64) float64 {
			if math.Mod(h*60, 60) < 1 {
				return delay()
			}
			return 30 * day
		}), "", 0, 0},
		{"one stray stamp", arrivals(5, 60, func(h float64) float64 {
			if h == 4.5 {
				return -7000
			}
			return delay()
		}), "", 0, 0},
		{"ahead", arrivals(1, 60, func(float64) float64 { return -400 + delay() }), "ahead", 400, math.NaN()},
		{"ahead, three packs", arrivals(0.05, 60, func(float64) float64 { return -400 + delay() }), "ahead", 400, math.NaN()},
		{"ahead, a pack an hour", arrivals(4, 3600, func(float64) float64 { return -400 + delay() }), "ahead", 400, math.NaN()},
		{"ahead, two packs: too early to say", arrivals(0.03, 60, func(float64) float64 { return -400 }), "", 0, 0},
		{"ahead, half of it held back", arrivals(3, 60, func(h float64) float64 { return float64(rng.IntN(2))*rng.Float64()*7200 - 400 }), "ahead", 400, math.NaN()},
		{"summer time in place of UTC", arrivals(3, 60, func(float64) float64 { return -3600 + delay() }), "1 h ahead: local time", 3600, math.NaN()},
		{"west of Greenwich", arrivals(4, 60, func(float64) float64 { return 5*3600 + delay() }), "5 h behind: local time", -5 * 3600, math.NaN()},
		{"half an hour's zone", arrivals(4, 60, func(float64) float64 { return -5.5*3600 + delay() }), "5 h 30 min ahead: local time", 5.5 * 3600, math.NaN()},
		{"behind", arrivals(3, 60, func(float64) float64 { return 240 + delay() }), "behind, or the node never catches up", -240, math.NaN()},
		{"behind, two hours: too early to say", arrivals(2, 60, func(float64) float64 { return 240 + delay() }), "", 0, 0},
		{"drifting ahead", arrivals(24, 60, func(h float64) float64 { return -20*h/24 + delay() }), "drifts by +20 s a day", 20, 20},
		{"drifting behind", arrivals(24, 60, func(h float64) float64 { return 20*h/24 + delay() }), "drifts by -20 s a day", -20, -20},
		{"ahead and drifting", arrivals(24, 60, func(h float64) float64 { return -500 - 100*h/24 + delay() }), "ahead and drifts by +100 s a day", 600, 100},
		{"a crystal's 2 s a day", arrivals(24, 60, func(h float64) float64 { return 2*h/24 + delay() }), "", 0, 0},
		{"stuck in 1970", arrivals(0.2, 60, func(h float64) float64 { return 56 * 365.25 * day }), "never set", math.NaN(), math.NaN()},
		{"milliseconds", arrivals(0.2, 60, func(float64) float64 { return -1.77e12 }), "milliseconds", math.NaN(), math.NaN()},
		{"set right again", arrivals(24, 60, func(h float64) float64 {
			if h < 20 {
				return -3600 + delay()
			}
			return delay()
		}), "", 0, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := tt.clock.Fault()
			switch {
			case tt.what == "" && f != nil:
				t.Fatalf("a right clock %s (%+v)", f.What, f)
			case tt.what == "":
				return
			case f == nil:
				t.Fatalf("nothing is found, want %q; %+v", tt.what, tt.clock.Hours)
			}
			tolerance := 3.0
			if tt.drift == tt.drift {
				tolerance += math.Abs(tt.drift) / 24 // in the last hour
			}
			near := func(got, want, tol float64) bool {
				return math.IsNaN(want) && math.IsNaN(got) || math.Abs(got-want) <= tol
			}
			if !strings.Contains(f.What, tt.what) || !near(f.OffsetS, tt.offset, tolerance) || !near(f.DriftSDay, tt.drift, 1) {
				t.Errorf("%+v, want %q, offset %.0f s, drift %.0f s a day", f, tt.what, tt.offset, tt.drift)
			}
			if n := len(tt.clock.Hours); n > clockHours {
				t.Errorf("%d hours are kept", n)
			}
		})
	}
}

// The committer tells of a clock once, when it turns wrong and when it is right
// again, whether the readings could be used or not, and logs what it can.
func TestClocksAreWatched(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said bytes.Buffer
		log := &fakeLog{}
		c, end := start(t, CommitterConfig{Log: log, Logger: slog.New(slog.NewTextHandler(&said, nil))})
		send := func(node string, ahead time.Duration) {
			at := time.Now().Add(ahead)
			body := fmt.Sprintf(`[{"bt":%.3f,"bu":"Cel","n":"waste-in","v":30},{"t":-30,"n":"cold-in","v":9}]`, float64(at.UnixMilli())/1000)
			offer(t, c, "greywatt/larch-04/"+node+"/senml", []byte(body), func() {})
		}
		time.Sleep(365 * 24 * time.Hour) // the bubble begins at 2000-01-01, before which nothing is taken
		for minute := range 90 {
			send("right", -time.Second)
			send("ahead", time.Hour)
			send("far", 48*time.Hour)           // refused: future-time
			send("unset", -21*366*24*time.Hour) // refused: bad-time
			offer(t, c, "greywatt/larch-04/counting/senml", fmt.Appendf(nil, `[{"bt":%d,"bu":"Cel","n":"waste-in","v":30}]`, 86000+60*minute), func() {})
			offer(t, c, "greywatt/larch-04/relative/senml", []byte(`[{"bu":"Cel","n":"waste-in","v":30}]`), func() {})
			time.Sleep(time.Minute)
		}
		for range 90 {
			send("ahead", 0)
			time.Sleep(time.Minute)
		}
		if err := end(); err != nil {
			t.Fatal(err)
		}
		text := said.String()
		for want, times := range map[string]int{"is 1 h ahead": 1, "is 2 d ahead": 1, "was never set": 2, "node=counting": 1, "node=unset": 1, "right again": 1, "node=ahead": 2, "node=right": 0, "node=relative": 0} {
			if got := strings.Count(text, want); got != times {
				t.Errorf("%q is said %d times, want %d:\n%s", want, got, times, text)
			}
		}
		if n := log.count(); n != 90*2+120*2+90+7 {
			t.Errorf("%d readings are stored, want those of the right clock, of the one an hour ahead, once, and those that are relative", n)
		}

		// A later committer goes on from there.
		clocks := c.Clocks()
		if len(clocks) != 6 {
			t.Fatalf("%d clocks", len(clocks))
		}
		later := NewCommitter(CommitterConfig{Prefix: "greywatt", Log: log})
		later.RestoreClocks(clocks)
		for i, again := range later.Clocks() {
			if fmt.Sprint(again) != fmt.Sprint(clocks[i]) {
				t.Errorf("restored %+v, want %+v", again, clocks[i])
			}
		}
	})
}
