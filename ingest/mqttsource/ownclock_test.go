package mqttsource

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
)

// A logger whose own clock is 30 h slow acknowledges none of what right nodes
// send, as it could not keep it; one whose clock is right sets a wrong node's
// readings aside as ever.
func TestOwnClockInDoubt(t *testing.T) {
	right := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	send := func(c *Committer, node int, at time.Time) error {
		body := fmt.Sprintf(`[{"n":"flow","u":"l/s","t":%d,"v":0.1}]`, at.Unix())
		return c.Offer(fmt.Sprintf("greywatt/larch-04/n%d/senml", node), []byte(body), func() {})
	}
	clock := func(passed time.Time, slow time.Duration) *Committer {
		cfg := CommitterConfig{Prefix: "greywatt", Log: new(fakeLog), Now: func() time.Time { return right.Add(-slow) }}
		if !passed.IsZero() {
			cfg.Passed = greywatt.InstantOf(passed)
		}
		return NewCommitter(cfg)
	}

	// The store knows better.
	c := clock(right.Add(-time.Hour), 30*time.Hour)
	for node := range 4 {
		if err := send(c, node, right); !errors.Is(err, ErrClock) {
			t.Errorf("node %d: %v", node, err)
		}
	}
	if st := c.Status(); st.Messages != 0 || st.Held != 0 || st.HeldBytes != 0 || st.FailingSince.IsZero() || st.LastError != ErrClock.Error() {
		t.Errorf("%+v", st)
	}
	// What is not from its future can be kept, and does not end the doubt.
	if err := send(c, 1, right.Add(-40*time.Hour)); err != nil {
		t.Errorf("an older reading: %v", err)
	}
	if err := send(c, 0, right); !errors.Is(err, ErrClock) {
		t.Errorf("after it: %v", err)
	}

	// Nothing is stored yet: three nodes that agree put it in doubt.
	c = clock(time.Time{}, 30*time.Hour)
	for node, want := range []error{nil, nil, ErrClock, ErrClock} {
		if err := send(c, node, right); !errors.Is(err, want) {
			t.Errorf("node %d: %v, want %v", node, err, want)
		}
	}

	// The clock is right, as the nodes that agree with it say: those ahead are wrong.
	c = clock(right.Add(-time.Hour), 0)
	if err := send(c, 9, right); err != nil {
		t.Fatal(err)
	}
	for node := range 4 {
		if err := send(c, node, right.Add(48*time.Hour)); err != nil {
			t.Errorf("node %d: %v", node, err)
		}
	}
	if st := c.Status(); st.Rejected[ingest.FutureTime] != 4 || !st.FailingSince.IsZero() {
		t.Errorf("%+v", st)
	}
	// It is set right: the next pack that agrees ends the doubt.
	c = clock(right.Add(-time.Hour), 30*time.Hour)
	send(c, 0, right)
	c.cfg.Now = func() time.Time { return right }
	if err := send(c, 0, right); err != nil || !c.Status().FailingSince.IsZero() {
		t.Errorf("after it was set: %v, %+v", err, c.Status())
	}
}
