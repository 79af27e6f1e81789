package mqttsource

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"greywatt"
	"greywatt/ingest"
)

// A fakeLog keeps in memory what it is given.
type fakeLog struct {
	mu       sync.Mutex
	calls    []string // in order, with "safe" where a test notes it
	readings map[greywatt.Reading]bool
	rejected []ingest.RejectedRecord
	presence []ingest.Presence
	appends  []int // sizes
	fail     func(call string) error
	full     atomic.Bool // every call fails
}

var errDisk = errors.New("disk full")

func (l *fakeLog) call(name string) error {
	l.calls = append(l.calls, name)
	switch {
	case l.full.Load():
		return errDisk
	case l.fail != nil:
		return l.fail(name)
	}
	return nil
}

func (l *fakeLog) called() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.calls)
}

func (l *fakeLog) note(name string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.calls = append(l.calls, name)
}

func (l *fakeLog) Append(_ context.Context, rs []greywatt.Reading) (n ingest.Counts, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.call("append"); err != nil {
		return n, err
	}
	l.appends = append(l.appends, len(rs))
	if l.readings == nil {
		l.readings = make(map[greywatt.Reading]bool)
	}
	for _, r := range rs {
		if l.readings[r] {
			n.Duplicate++
		} else {
			n.New++
		}
		l.readings[r] = true
	}
	return n, nil
}

func (l *fakeLog) AppendRejected(_ context.Context, rs []ingest.RejectedRecord) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.call("set aside"); err != nil {
		return err
	}
	l.rejected = append(l.rejected, rs...)
	return nil
}

func (l *fakeLog) SetPresences(_ context.Context, ps []ingest.Presence) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.call("presence"); err != nil {
		return err
	}
	l.presence = append(l.presence, ps...)
	return nil
}

func (l *fakeLog) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.readings)
}

const topic = "greywatt/larch-04/n1/senml"

// pack is a SenML pack of n readings, the seq-th of its node. Its times follow
// 2000-01-01, when the clock of a synctest bubble starts.
func pack(seq, n int) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `[{"bt":%d,"bu":"Cel","n":"waste-in","v":30}`, 946_684_800+seq*n)
	for i := 1; i < n; i++ {
		fmt.Fprintf(&b, `,{"n":"waste-in","t":%d,"v":30}`, i)
	}
	b.WriteByte(']')
	return []byte(b.String())
}

// start runs a committer until the test or the returned function ends it.
func start(t *testing.T, cfg CommitterConfig) (c *Committer, end func() error) {
	t.Helper()
	cfg.Prefix = "greywatt"
	c = NewCommitter(cfg)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	var once sync.Once
	var err error
	end = func() error {
		once.Do(func() { cancel(); err = <-done })
		return err
	}
	t.Cleanup(func() { end() })
	return c, end
}

func offer(t *testing.T, c *Committer, topic string, body []byte, safe func()) {
	t.Helper()
	if err := c.Offer(topic, body, safe); err != nil {
		t.Fatalf("Offer: %v", err)
	}
}

func TestGroupIsCommittedAfterDelay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		c, _ := start(t, CommitterConfig{Log: log})
		begin := time.Now()
		var took []time.Duration
		for i := range 3 {
			offer(t, c, topic, pack(i, 10), func() { took = append(took, time.Since(begin)) })
			time.Sleep(50 * time.Millisecond)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if len(took) != 3 || took[0] != 200*time.Millisecond || took[2] != took[0] {
			t.Errorf("messages safe after %v, want all three in one group 200 ms after the first came", took)
		}
		if got := log.appends; len(got) != 1 || got[0] != 30 {
			t.Errorf("appends of %v readings, want one of 30", got)
		}
	})
}

// Readings of now that nobody waits for are gathered for longer; a viewer, or a node
// that sends what it saved up, ends that.
func TestPatience(t *testing.T) {
	for _, tt := range []struct {
		name    string
		age     time.Duration // of the second pack
		watched bool
		want    time.Duration // from the first pack to its acknowledgement
		appends int
	}{
		{"nobody waits", 0, false, 5 * time.Second, 1},
		{"somebody looks", 0, true, 200 * time.Millisecond, 2},
		{"a node catches up", time.Hour, false, time.Second, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				time.Sleep(24 * time.Hour)
				log := new(fakeLog)
				c, _ := start(t, CommitterConfig{Log: log, Patience: 5 * time.Second, Watched: func() bool { return tt.watched }})
				begin := time.Now()
				var took time.Duration
				now := int(begin.Unix() - 946_684_800)
				offer(t, c, topic, pack(now, 1), func() { took = time.Since(begin) })
				time.Sleep(time.Second)
				offer(t, c, topic, pack(now+1-int(tt.age.Seconds()), 1), func() {})
				time.Sleep(10 * time.Second)
				synctest.Wait()
				if took != tt.want || len(log.appends) != tt.appends {
					t.Errorf("safe after %v in %d commits, want %v in %d", took, len(log.appends), tt.want, tt.appends)
				}
			})
		})
	}
}

func TestGroupIsCommittedWhenLarge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		c, _ := start(t, CommitterConfig{Log: log, GroupReadings: 100})
		begin := time.Now()
		for i := range 10 {
			offer(t, c, topic, pack(i, 10), func() {
				if d := time.Since(begin); d != 0 {
					t.Errorf("safe after %v, want at once: the group is full", d)
				}
			})
		}
		synctest.Wait()
		if n := log.count(); n != 100 {
			t.Errorf("%d readings stored, want 100", n)
		}
	})
}

func TestGroupsGrowWhileACommitIsSlow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		log.fail = func(string) error { time.Sleep(3 * time.Second); return nil }
		c, _ := start(t, CommitterConfig{Log: log, GroupReadings: 100})
		for i := range 50 {
			offer(t, c, topic, pack(i, 10), func() {})
			if i == 9 {
				synctest.Wait() // the first hundred are on their way
			}
		}
		time.Sleep(10 * time.Second)
		synctest.Wait()
		if got := log.appends; len(got) != 2 || got[0] != 100 || got[1] != 400 {
			t.Errorf("appends of %v readings, want 100 and then all 400 that waited", got)
		}
	})
}

func TestNothingIsSafeWhileTheLogFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		log.full.Store(true)
		c, _ := start(t, CommitterConfig{Log: log})
		var safe atomic.Int32
		offer(t, c, topic, pack(0, 10), func() { safe.Add(1) })
		time.Sleep(time.Hour)
		if st := c.Status(); safe.Load() != 0 || st.FailingSince.IsZero() || st.Held != 1 || !strings.Contains(st.LastError, "disk full") {
			t.Errorf("after an hour of full disk: %d safe, status %+v; want none safe, one held, and the reason", safe.Load(), st)
		}
		if n := len(log.called()); n < 3600/10 || n > 3600/5+20 {
			t.Errorf("%d attempts in an hour, want one every 5 s to 10 s", n)
		}
		log.full.Store(false)
		time.Sleep(mostCommitRetry)
		synctest.Wait()
		if st := c.Status(); safe.Load() != 1 || !st.FailingSince.IsZero() || st.New != 10 || st.Held != 0 {
			t.Errorf("with room again: %d safe, status %+v; want it stored and safe", safe.Load(), st)
		}
	})
}

func TestUnusableMessagesAreSetAsideAndThenSafe(t *testing.T) {
	tests := []struct {
		name, topic, body string
		want              ingest.Reason
	}{
		{"no SenML", topic, "hello", ingest.BadPayload},
		{"cut short", topic, `[{"n":"waste-in","u":"Cel","v":3`, ingest.BadPayload},
		{"another dwelling's name", topic, `[{"n":"oak-01/n1/waste-in","u":"Cel","v":30}]`, ingest.WrongTopic},
		{"other prefix", "other/larch-04/n1/senml", `[]`, ingest.WrongTopic},
		{"path in the topic", "greywatt/../n1/senml", `[]`, ingest.WrongTopic},
		{"presence", "greywatt/larch-04/n1/presence", "asleep", ingest.BadPayload},
		{"too large", topic, strings.Repeat("x", 5<<20), ingest.BadPayload},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				log := new(fakeLog)
				c, _ := start(t, CommitterConfig{Log: log, OwnNames: true})
				offer(t, c, tt.topic, []byte(tt.body), func() { log.note("safe") })
				time.Sleep(time.Second)
				synctest.Wait()
				if got := fmt.Sprint(log.calls); got != "[set aside safe]" {
					t.Errorf("calls %v, want set aside, then safe", got)
				}
				if len(log.rejected) != 1 || log.rejected[0].Reason != tt.want || log.rejected[0].Source != tt.topic || log.rejected[0].At == 0 {
					t.Errorf("set aside %+v, want reason %s and the topic", log.rejected, tt.want)
				}
				if n := c.Status().Rejected[tt.want]; n != 1 {
					t.Errorf("status counts %d refusals for %s, want 1", n, tt.want)
				}
			})
		})
	}
}

func TestDecoderFailureIsSetAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		c, _ := start(t, CommitterConfig{Log: log})
		for range cap(c.decoders) {
			<-c.decoders
			c.decoders <- new(decoder) // without a payload.Decoder it panics
		}
		safe := 0
		offer(t, c, topic, pack(0, 3), func() { safe++ })
		offer(t, c, topic, pack(1, 3), func() { safe++ })
		time.Sleep(time.Second)
		synctest.Wait()
		if safe != 2 || len(log.rejected) == 0 || log.rejected[0].Reason != ingest.BadPayload {
			t.Errorf("%d safe, refused %+v; want both safe and the failure set aside", safe, log.rejected)
		}
	})
}

// A refusal that cannot be stored at first must not make its neighbours count
// twice.
func TestRetryDoesNotAppendAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		left := 2
		log.fail = func(call string) error {
			if call == "set aside" && left > 0 {
				left--
				return errDisk
			}
			return nil
		}
		c, _ := start(t, CommitterConfig{Log: log})
		offer(t, c, topic, []byte(`[{"n":"waste-in","u":"Cel","v":30},{"n":"waste-in","u":"mile","v":30}]`), func() { log.note("safe") })
		time.Sleep(time.Minute)
		synctest.Wait()
		if got := fmt.Sprint(log.calls); got != "[append set aside set aside set aside safe]" {
			t.Errorf("calls %v", got)
		}
	})
}

func TestFloodIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		stuck := make(chan struct{})
		log := new(fakeLog)
		log.fail = func(string) error { <-stuck; return nil }
		body := pack(0, 60)
		c, _ := start(t, CommitterConfig{Log: log, MaxMessages: 100, MaxBytes: 40 * 60 * 56})
		taken, begin := 0, time.Now()
		for i := range 1000 {
			err := c.Offer(topic, body, func() {})
			if err == nil {
				taken++
				continue
			}
			if !errors.Is(err, ErrFull) {
				t.Fatalf("Offer: %v, want ErrFull", err)
			}
			if i > 200 {
				break
			}
		}
		st := c.Status()
		if taken < 20 || taken > 45 || st.HeldBytes > 45*60*56 {
			t.Errorf("took %d messages, %d bytes held; want about 40 messages' worth", taken, st.HeldBytes)
		}
		if wait := time.Since(begin); wait < 2*time.Second {
			t.Errorf("turned away after %v, want a wait of 2 s for room", wait)
		}
		close(stuck)
		time.Sleep(time.Second)
		synctest.Wait()
		if st := c.Status(); st.Held != 0 || st.HeldBytes != 0 {
			t.Errorf("after the flood %d messages and %d bytes are held, want none", st.Held, st.HeldBytes)
		}
		if err := c.Offer(topic, body, func() {}); err != nil {
			t.Errorf("after the flood: %v", err)
		}
	})
}

// One message larger than the bound must not wait for ever.
func TestLargeMessageIsTakenAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		c, _ := start(t, CommitterConfig{Log: log, MaxBytes: 1000})
		safe := 0
		for i := range 3 {
			offer(t, c, topic, pack(i, 1000), func() { safe++ })
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if safe != 3 || log.count() != 3000 {
			t.Errorf("%d safe, %d readings", safe, log.count())
		}
	})
}

func TestRunDrains(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		c, end := start(t, CommitterConfig{Log: log})
		safe := 0
		offer(t, c, topic, pack(0, 10), func() { safe++ })
		if err := end(); err != nil || safe != 1 || log.count() != 10 {
			t.Errorf("Run: %v, %d safe, %d stored; want what was held stored and safe", err, safe, log.count())
		}
		if err := c.Offer(topic, pack(1, 10), func() {}); !errors.Is(err, ErrStopped) {
			t.Errorf("Offer after the end: %v, want ErrStopped", err)
		}
	})
}

func TestRunGivesUpDraining(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		log.full.Store(true)
		c, end := start(t, CommitterConfig{Log: log})
		offer(t, c, topic, pack(0, 10), func() { t.Error("called safe, and is not") })
		time.Sleep(time.Minute)
		begin := time.Now()
		err := end()
		if err == nil || !strings.Contains(err.Error(), "disk full") || !strings.Contains(err.Error(), "1 messages") {
			t.Errorf("Run: %v, want how many were not stored and why", err)
		}
		if took := time.Since(begin); took > 10*time.Second {
			t.Errorf("took %v to give up, want 10 s", took)
		}
	})
}

func TestPresence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		c, _ := start(t, CommitterConfig{Log: log})
		var want []ingest.Presence
		for i, what := range []string{"up", "down", "up"} {
			offer(t, c, "greywatt/larch-04/n1/presence", []byte(what), func() { log.note("safe") })
			want = append(want, ingest.Presence{Dwelling: "larch-04", Node: "n1", Up: i != 1, Since: greywatt.InstantOf(time.Now())})
			time.Sleep(time.Millisecond)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if got := fmt.Sprint(log.calls); got != "[presence safe safe safe]" {
			t.Errorf("calls %v, want one for all, then safe", got)
		}
		if !slices.Equal(log.presence, want) {
			t.Errorf("stored %v, want %v", log.presence, want)
		}
		offer(t, c, "greywatt/larch-04/n1/presence", []byte("up"), func() {}) // told again
		offer(t, c, "greywatt/larch-03/n1/presence", []byte("down"), func() {})
		last := ingest.Presence{Dwelling: "larch-03", Node: "n1", Up: false, Since: greywatt.InstantOf(time.Now())}
		time.Sleep(time.Second)
		synctest.Wait()
		if got := c.Presences(); !slices.Equal(got, []ingest.Presence{last, want[2]}) {
			t.Errorf("known %v, want %v and when %v was first heard", got, last, want[2])
		}
	})
}
