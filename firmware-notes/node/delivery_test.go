package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"greywatt/firmware-notes/node/internal/senml"
	"greywatt/ingest/broker"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// A running is a node at work within the test.
type running struct {
	cancel context.CancelFunc
	done   chan struct{}
	code   int
	out    bytes.Buffer
	log    bytes.Buffer
}

// begin starts a node with what every test wants, and more.
func begin(t *testing.T, l *logger, dir string, args ...string) *running {
	t.Helper()
	r := &running{done: make(chan struct{})}
	ctx, cancel := context.WithCancel(context.Background())
	r.cancel = cancel
	all := append([]string{"--dwelling", "larch-04", "--broker", l.url(), "--buffer", dir, "--retry", "50ms", "--drain", "1m", "--echo"}, args...)
	go func() {
		defer close(r.done)
		r.code = run(ctx, all, &r.out, &r.log)
	}()
	t.Cleanup(r.end)
	return r
}

// end stops the node as SIGTERM does and waits for it.
func (r *running) end() {
	r.cancel()
	<-r.done
}

func (r *running) wait(t *testing.T) {
	t.Helper()
	select {
	case <-r.done:
	case <-time.After(time.Minute):
		r.end()
		t.Fatalf("the node did not end; its log: %s", &r.log)
	}
	if r.code != exitDone {
		t.Errorf("exit code %d; log: %s", r.code, &r.log)
	}
}

// halfADay is a run that samples some 11 000 frames as fast as it can.
var halfADay = []string{"--start", "2026-01-07T06:00:00Z", "--speed", "0", "--for", "12h"}

// Everything that the node sampled is stored once, half a year late, in either
// format; it says up and then down.
func TestDelivery(t *testing.T) {
	for _, format := range []senml.Format{senml.JSON, senml.CBOR} {
		t.Run(string(format), func(t *testing.T) {
			l := newLogger(t)
			l.start(t)
			n := begin(t, l, t.TempDir(), append(halfADay, "--format", string(format))...)
			n.wait(t)
			ingesttest.Compare(t, l.stored(t, "larch-04"), sampled(t, "larch-04", "n1", n.out.String()))
			l.Await(t, "up, and then down", func(s ingesttest.Seen) bool { // up again where a starved connection was made anew
				n := len(s.Up)
				return n > 1 && s.Up[0] && !s.Up[n-1]
			})
		})
	}
}

// Through a broker of its own, to which the logger subscribes.
func TestThroughAnotherBroker(t *testing.T) {
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "elsewhere", Sink: deaf{}}) // an ordinary one for our topics
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	l := newLogger(t)
	if l.store, err = store.Open(l.dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	defer l.store.Close()
	c := mqttsource.NewCommitter(mqttsource.CommitterConfig{Prefix: "greywatt", Log: l, Now: func() time.Time { return arrival }})
	source, err := mqttsource.New(mqttsource.Config{Broker: b.URL(), ClientID: "logger", Prefix: "greywatt"}, c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var parts sync.WaitGroup
	for _, run := range []func(context.Context) error{c.Run, source.Run} {
		parts.Go(func() {
			if err := run(ctx); err != nil {
				t.Error(err)
			}
		})
	}
	await(t, "subscribed", func() bool { return source.Status().Connected })
	l.addr = strings.TrimPrefix(b.URL(), "tcp://")
	n := begin(t, l, t.TempDir(), halfADay...)
	n.wait(t)
	want := sampled(t, "larch-04", "n1", n.out.String())
	l.Await(t, "all stored", func(s ingesttest.Seen) bool { return s.New >= len(want) })
	cancel()
	parts.Wait()
	ingesttest.Compare(t, l.stored(t, "larch-04"), want)
}

// await asks again and again.
func await(t *testing.T, what string, cond func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !cond(); <-time.After(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("after a minute: not yet %s", what)
		}
	}
}

// Two nodes of one dwelling, which share its channels.
func TestTwoNodes(t *testing.T) {
	l := newLogger(t)
	l.start(t)
	n1 := begin(t, l, t.TempDir(), append(halfADay, "--channels", "cold-in,preheat-out,flow,ambient")...)
	n2 := begin(t, l, t.TempDir(), append(halfADay, "--node", "n2", "--channels", "waste-in,waste-out", "--every", "2s")...)
	n1.wait(t)
	n2.wait(t)
	want := sampled(t, "larch-04", "n1", n1.out.String())
	for r := range sampled(t, "larch-04", "n2", n2.out.String()) {
		want[r] = true
	}
	ingesttest.Compare(t, l.stored(t, "larch-04"), want)
}

// The broker, and the logger with it, stops again and again amid the stream, and
// is not there at the beginning.
func TestLinkLoss(t *testing.T) {
	l := newLogger(t)
	n := begin(t, l, t.TempDir(), halfADay...)
	const losses = 5
	for i := range losses {
		l.start(t)
		l.Await(t, fmt.Sprintf("amid the stream for the %d. time", i+1), func(s ingesttest.Seen) bool { return s.New > (i+1)*8000 })
		l.stop(t)
	}
	l.start(t)
	n.wait(t)
	ingesttest.Compare(t, l.stored(t, "larch-04"), sampled(t, "larch-04", "n1", n.out.String()))
	if up := strings.Count(n.log.String(), "link up"); up <= losses {
		t.Errorf("the node connected %d times, want more than %d; its log: %s", up, losses, &n.log)
	}
}

// Without a broker the node stops in its time and keeps everything; its next
// run sends it. The run after that has nothing left to send.
func TestStopWithoutLink(t *testing.T) {
	l := newLogger(t)
	dir := t.TempDir()
	first := begin(t, l, dir, append(halfADay, "--drain", "50ms")...)
	first.wait(t)
	if len(l.Seen().Up) > 0 {
		t.Fatal("no logger was there")
	}
	l.start(t)
	second := begin(t, l, dir, "--start", "2026-01-08T06:00:00Z", "--speed", "0", "--for", "1h")
	second.wait(t)
	want := sampled(t, "larch-04", "n1", first.out.String())
	for r := range sampled(t, "larch-04", "n1", second.out.String()) {
		want[r] = true
	}
	ingesttest.Compare(t, l.stored(t, "larch-04"), want)
	if twice := l.Seen().Duplicate; twice > 0 {
		t.Errorf("%d readings came twice", twice)
	}
	third := begin(t, l, dir, "--start", "2026-01-09T06:00:00Z", "--speed", "0", "--for", "1h")
	third.wait(t)
	if strings.Contains(third.log.String(), "earlier run") {
		t.Errorf("something is left in the buffer; log: %s", &third.log)
	}
}

// A logger that acknowledges nothing, as with a full disk, gets everything
// again, and it counts once.
func TestNoAcknowledgement(t *testing.T) {
	l := newLogger(t)
	l.gate = make(chan struct{})
	l.start(t)
	buf := openBuffer(t, 1<<20)
	var taken []senml.Frame
	s := newSampler(buf, &virtualClock{start: arrival.AddDate(0, -3, 0)}, newFlat(3))
	s.length = time.Hour
	s.echo = func(f senml.Frame) error { taken = append(taken, f); return nil }
	if err := s.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	cfg, err := (&options{dwelling: "larch-04", node: "n1", prefix: "greywatt", broker: l.url(), clientID: "n"}).linkConfig()
	if err != nil {
		t.Fatal(err)
	}
	send := &sender{
		link: cfg, base: "larch-04/n1/", format: senml.CBOR, buffer: buf, log: discard,
		wake: make(chan struct{}, 1), retryMost: 10 * time.Millisecond, ackTimeout: 100 * time.Millisecond,
	}
	last := make(chan struct{})
	close(last)
	var wg sync.WaitGroup
	wg.Go(func() { send.run(t.Context(), last) })
	await(t, "a third connection: more than two windows full", func() bool { return l.broker.Status().Messages > 2*window })
	close(l.gate)
	wg.Wait()
	if send.acked != int64(len(taken)) {
		t.Errorf("%d frames acknowledged, want %d", send.acked, len(taken))
	}
	l.Await(t, "stored", func(s ingesttest.Seen) bool { return s.New >= 6*len(taken) })
	if n := l.Seen().Counts; n.Duplicate == 0 || n.Conflict > 0 || n.New != 6*len(taken) {
		t.Errorf("counts %+v, want %d new, the rest duplicates", n, 6*len(taken))
	}
}

// A bounded buffer keeps the oldest and says what it could not keep.
func TestFullBuffer(t *testing.T) {
	l := newLogger(t)
	dir := t.TempDir()
	n := begin(t, l, dir, "--start", "2026-01-07T06:00:00Z", "--speed", "0", "--for", "48h", "--buffer-mib", "1", "--drain", "0s")
	<-n.done
	if n.code != exitLost || !strings.Contains(n.log.String(), "frames are lost from here on") {
		t.Fatalf("exit code %d, want %d; log: %s", n.code, exitLost, &n.log)
	}
	l.start(t)
	begin(t, l, dir, "--start", "2026-01-12T06:00:00Z", "--speed", "0", "--for", "1s", "--channels", "ambient").wait(t)
	got := l.stored(t, "larch-04")
	for r := range got {
		if r.At.Time().After(arrival.AddDate(0, -6, 4)) {
			delete(got, r) // the second run's
		}
	}
	ingesttest.Compare(t, got, sampled(t, "larch-04", "n1", n.out.String()))
}

// While the clock is not set, nothing is sent; then the frames from before get
// the times that they would have had.
func TestClockSetLate(t *testing.T) {
	outputs := make([]string, 2)
	for i, unsynced := range []string{"0s", "47m30s"} {
		l := newLogger(t)
		l.start(t)
		n := begin(t, l, t.TempDir(), append(halfADay, "--unsynced", unsynced)...)
		n.wait(t)
		outputs[i] = n.out.String()
		ingesttest.Compare(t, l.stored(t, "larch-04"), sampled(t, "larch-04", "n1", outputs[i]))
	}
	if outputs[0] != outputs[1] {
		t.Error("the frames differ from those of a node whose clock was set")
	}
}

func TestRefusedByTheBroker(t *testing.T) {
	tests := []struct {
		args []string
		want string
		code int
	}{
		{[]string{"--password-file", "/none"}, "--password-file", exitFailure},
		{[]string{"--broker", "tls://127.0.0.1", "--ca", "/none"}, "certificates", exitFailure},
		{[]string{"--replay", "/none"}, "/none", exitFailure},
	}
	for _, tt := range tests {
		var log bytes.Buffer
		code := run(t.Context(), append([]string{"--dwelling", "d", "--buffer", t.TempDir()}, tt.args...), io.Discard, &log)
		if code != tt.code || !strings.Contains(log.String(), tt.want) {
			t.Errorf("%q: exit code %d, %s", tt.args, code, &log)
		}
	}
}
