package main

import (
	"errors"
	"io"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"greywatt"
	"greywatt/firmware-notes/node/internal/buffer"
	"greywatt/firmware-notes/node/internal/senml"
)

var discard = slog.New(slog.DiscardHandler)

func openBuffer(t *testing.T, most int64) *buffer.Buffer {
	t.Helper()
	b, err := buffer.Open(t.TempDir(), buffer.Options{MaxBytes: most, SegmentBytes: segmentBytes, Fsync: buffer.FsyncSegment})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// newSampler returns a sampler with the defaults of the command line.
func newSampler(b *buffer.Buffer, c clock, what sensors) *sampler {
	return &sampler{
		clock: c, sensors: what, pace: pace{rest: time.Minute, hold: 3 * time.Minute}, buffer: b, log: discard,
		every: time.Second, sendEvery: 20 * time.Second, due: func() {},
	}
}

// A tap runs in given spans.
type tap struct {
	runs []span
	ends time.Duration
}

type span struct{ from, to time.Duration }

func (s tap) read(uptime time.Duration) (greywatt.Values, error) {
	v := greywatt.NoValues()
	v[greywatt.Flow] = 0
	for _, r := range s.runs {
		if uptime >= r.from && uptime < r.to {
			v[greywatt.Flow] = 0.15
		}
	}
	if uptime > s.ends {
		return v, io.EOF
	}
	return v, nil
}

// sampleAll runs a sampler and returns the frames that it took.
func sampleAll(t *testing.T, s *sampler) []senml.Frame {
	t.Helper()
	var frames []senml.Frame
	s.echo = func(f senml.Frame) error { frames = append(frames, f); return nil }
	if err := s.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	return frames
}

// Once a minute at rest, once a second in a draw and for three minutes after,
// and the last second before it.
func TestPaceOnFlow(t *testing.T) {
	start := time.Date(2026, 1, 7, 8, 0, 0, 0, time.UTC)
	what := tap{runs: []span{{150 * time.Second, 270 * time.Second}}, ends: 20 * time.Minute}
	frames := sampleAll(t, newSampler(openBuffer(t, 1<<20), &virtualClock{start: start}, what))
	var want []int64
	for s := int64(0); s <= 1200; s++ {
		switch {
		case s == 0, s == 60, s == 120: // at rest
			want = append(want, s)
		case s >= 149 && s < 270+180-1: // 149 is before; water was last seen at 269
			want = append(want, s)
		case s > 448 && (s-448)%60 == 0:
			want = append(want, s)
		}
	}
	if len(frames) != len(want) {
		t.Errorf("%d frames, want %d", len(frames), len(want))
	}
	for i := range min(len(frames), len(want)) {
		if at := (frames[i].AtMS - start.UnixMilli()) / 1000; at != want[i] {
			t.Fatalf("frame %d at %d s, want %d s", i, at, want[i])
		}
	}
}

// A node without the flow sensor keeps pace by its temperatures: of each of the
// flat's showers it has all seconds but the first few, and at rest it is slow.
func TestPaceOnTemperature(t *testing.T) {
	b := openBuffer(t, 8<<20)
	what := newFlat(7)
	noFlow := fitting{sensors: what}
	for _, c := range []greywatt.Channel{greywatt.WasteIn, greywatt.WasteOut} {
		noFlow.carries[c] = true
	}
	s := newSampler(b, &virtualClock{start: arrival}, noFlow)
	s.length = 24 * time.Hour
	seen := make(map[int64]bool)
	for _, f := range sampleAll(t, s) {
		seen[(f.AtMS-arrival.UnixMilli())/1000] = true
	}
	twin := newFlat(7) // the same flat, to know when its water runs
	const late = 15
	running, missed, begun := 0, 0, 0
	for second := range int64(24 * 3600) {
		if _, err := twin.read(time.Duration(second) * time.Second); err != nil {
			t.Fatal(err)
		}
		if !twin.running() {
			begun = 0
			continue
		}
		if begun++; begun <= late {
			continue
		}
		running++
		if !seen[second] {
			missed++
		}
	}
	if running < 3600 || missed > 0 {
		t.Errorf("%d of %d seconds of running water missed, %d s after its start", missed, running, late)
	}
	if len(seen) > 24*3600*3/4 {
		t.Errorf("%d frames in a day: it never rests", len(seen))
	}
}

// A stepClock jumps.
type stepClock struct {
	virtualClock
	at, by time.Duration
}

func (c *stepClock) wall() (time.Time, bool) {
	now, known := c.virtualClock.wall()
	if c.passed >= c.at {
		now = now.Add(c.by)
	}
	return now, known
}

// No two frames have one time, whatever the clock is set to.
func TestClockSetBack(t *testing.T) {
	running := tap{runs: []span{{0, time.Hour}}, ends: 2 * time.Minute}
	tests := []struct {
		by      time.Duration
		skipped int64
	}{
		{-5 * time.Second, 5}, // it waits until it has caught up
		{-500 * time.Millisecond, 0},
		{-time.Hour, 0}, // the time before was the wrong one
		{time.Hour, 0},
	}
	for _, tt := range tests {
		c := &stepClock{virtualClock{start: arrival}, time.Minute, tt.by}
		s := newSampler(openBuffer(t, 1<<20), c, running)
		seen := make(map[int64]bool)
		frames := sampleAll(t, s)
		for _, f := range frames {
			if seen[f.AtMS] {
				t.Errorf("set by %v: two frames at %d ms", tt.by, f.AtMS)
			}
			seen[f.AtMS] = true
		}
		if s.tally.backward != tt.skipped || int64(len(frames)) != 121-tt.skipped {
			t.Errorf("set by %v: %d frames, %d left out; want %d and %d", tt.by, len(frames), s.tally.backward, 121-tt.skipped, tt.skipped)
		}
	}
}

// What has no time when the node ends is lost, and said to be.
func TestClockNeverSet(t *testing.T) {
	what := tap{runs: []span{{0, time.Hour}}, ends: time.Minute}
	s := newSampler(openBuffer(t, 1<<20), &virtualClock{start: arrival, unsynced: time.Hour}, what)
	if frames := sampleAll(t, s); len(frames) > 0 || s.tally.undated != 61 {
		t.Errorf("%d frames, %d undated; want none and 61", len(frames), s.tally.undated)
	}
}

// The oldest wait for the clock where not all can.
func TestClockSetTooLate(t *testing.T) {
	what := tap{runs: []span{{0, 10 * time.Hour}}, ends: 3 * time.Hour}
	s := newSampler(openBuffer(t, 1<<20), &virtualClock{start: arrival, unsynced: 2 * time.Hour}, what)
	frames := sampleAll(t, s)
	if lost := int64(2*3600 - mostHeld); s.tally.lost != lost || int64(len(frames)) != 3*3600+1-lost {
		t.Errorf("%d frames and %d lost, want %d lost", len(frames), s.tally.lost, lost)
	}
	for i, f := range frames[:mostHeld] {
		if f.AtMS != arrival.UnixMilli()+int64(i)*1000 {
			t.Fatalf("frame %d at %d ms", i, f.AtMS-arrival.UnixMilli())
		}
	}
}

// Sensors that fail end the run, and what was sampled stays.
func TestSensorsFail(t *testing.T) {
	b := openBuffer(t, 1<<20)
	broken := errors.New("bus is dead")
	s := newSampler(b, &virtualClock{start: arrival}, failing{tap{ends: time.Hour}, time.Minute, broken})
	if err := s.run(t.Context()); !errors.Is(err, broken) {
		t.Errorf("error %v, want %v", err, broken)
	}
	if batch, err := b.Read(buffer.Position{}, 1000); err != nil || len(batch.Records) != 1 {
		t.Errorf("%d records, %v; want the one at the start", len(batch.Records), err)
	}
}

type failing struct {
	sensors
	from time.Duration
	err  error
}

func (f failing) read(uptime time.Duration) (greywatt.Values, error) {
	v, err := f.sensors.read(uptime)
	if uptime >= f.from {
		err = f.err
	}
	return v, err
}

// A clock that is behind the program's own age has not been set. The bubble's
// begins in the year 2000.
func TestHostClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hostClock{start: time.Now()}
		if now, known := c.wall(); known {
			t.Errorf("%v is taken for the time", now)
		}
		if err := c.wait(t.Context(), 90*time.Minute); err != nil || c.uptime() != 90*time.Minute {
			t.Errorf("waited until %v, %v", c.uptime(), err)
		}
		time.Sleep(time.Until(notBefore))
		if now, known := c.wall(); !known || !now.Equal(notBefore) {
			t.Errorf("at %v it is %v, known %t", notBefore, now, known)
		}
		c.unsynced = c.uptime() + time.Second
		if _, known := c.wall(); known {
			t.Error("a clock that is not set yet is known")
		}
	})
}
