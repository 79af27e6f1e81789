package broker

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const timeout = 10 * time.Second

// A fakeSink notes what it is offered, and calls it safe when told to.
type fakeSink struct {
	mu      sync.Mutex
	refuse  error
	offered chan string // TOPIC BODY
	safe    []func()
}

func newSink() *fakeSink { return &fakeSink{offered: make(chan string, 100)} }

func (s *fakeSink) Offer(topic string, payload []byte, safe func()) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refuse != nil {
		return s.refuse
	}
	s.safe = append(s.safe, safe)
	s.offered <- topic + " " + string(payload)
	return nil
}

func (s *fakeSink) setRefuse(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.refuse = err
}

// commit calls all that was offered safe.
func (s *fakeSink) commit() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, safe := range s.safe {
		safe()
	}
	s.safe = nil
}

func receive[T any](t *testing.T, what string, c <-chan T) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(timeout):
		t.Fatalf("after %v: no %s", timeout, what)
		panic("unreachable")
	}
}

func listen(t testing.TB, cfg Config) *Broker {
	t.Helper()
	cfg.Addr, cfg.Prefix = "127.0.0.1:0", "greywatt"
	b, err := Listen(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

// options are those of a client that does not reconnect by itself.
func options(b *Broker, id string) *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker(b.URL()).SetClientID(id).SetAutoReconnect(false).SetProtocolVersion(4).SetConnectTimeout(timeout)
}

func connect(t *testing.T, o *paho.ClientOptions) paho.Client {
	t.Helper()
	c := paho.NewClient(o)
	if err := wait(c.Connect()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Disconnect(200) })
	return c
}

func wait(tok paho.Token) error {
	if !tok.WaitTimeout(timeout) {
		return errors.New("no answer")
	}
	return tok.Error()
}

const readings = "greywatt/larch-04/n1/senml"

func TestAcknowledgedWhenSafe(t *testing.T) {
	for qos := range byte(3) {
		t.Run(fmt.Sprintf("QoS %d", qos), func(t *testing.T) {
			sink := newSink()
			b := listen(t, Config{Sink: sink})
			c := connect(t, options(b, "n1"))
			var tokens []paho.Token
			for i := range 3 { // all three are taken though none is acknowledged
				tokens = append(tokens, c.Publish(readings, qos, false, fmt.Sprint(i)))
				if got, want := receive(t, "message", sink.offered), fmt.Sprint(readings, " ", i); got != want {
					t.Errorf("offered %q, want %q", got, want)
				}
			}
			// An answer to something sent later shows that no PUBACK was on the way.
			if err := wait(c.Subscribe("greywatt/larch-04/n1/orders", 1, nil)); err != nil {
				t.Fatal(err)
			}
			for i, tok := range tokens {
				select {
				case <-tok.Done():
					if qos > 0 {
						t.Errorf("message %d is acknowledged and not safe", i)
					}
				default:
				}
			}
			sink.commit()
			for _, tok := range tokens {
				if err := wait(tok); err != nil {
					t.Error(err)
				}
			}
			if st := b.Status(); st.Messages != 3 || st.Shed != 0 || st.Clients != 1 {
				t.Errorf("status %+v", st)
			}
		})
	}
}

// A full sink costs a node its connection: it comes again with the message.
func TestFullSinkShedsNodes(t *testing.T) {
	sink := newSink()
	sink.setRefuse(errors.New("full"))
	b := listen(t, Config{Sink: sink})
	lost := make(chan error, 1)
	o := options(b, "n1").SetCleanSession(false).SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	c := connect(t, o)
	if err := wait(c.Publish(readings, 0, false, "of no account")); err != nil {
		t.Fatal(err)
	}
	c.Publish(readings, 1, false, "kept")
	receive(t, "end of the connection", lost)
	if st := b.Status(); st.Dropped != 1 || st.Shed != 1 || st.Messages != 0 {
		t.Errorf("status %+v, want one dropped and one shed", st)
	}
	sink.setRefuse(nil)
	// The client library keeps the message and sends it again, as a node does.
	if err := wait(c.Connect()); err != nil {
		t.Fatal(err)
	}
	if got := receive(t, "message", sink.offered); got != readings+" kept" {
		t.Errorf("offered %q", got)
	}
}

// Other clients may watch, and use the broker for their own purposes.
func TestOrdinarySubscribers(t *testing.T) {
	sink := newSink()
	b := listen(t, Config{Sink: sink})
	node := connect(t, options(b, "n1"))
	presence := node.Publish("greywatt/larch-04/n1/presence", 1, true, "up")
	receive(t, "message", sink.offered)
	if err := wait(node.Subscribe("greywatt/larch-04/n1/orders", 1, nil)); err != nil { // answered after the presence is kept
		t.Fatal(err)
	}

	seen := make(chan string, 10)
	watcher := connect(t, options(b, "watcher"))
	note := func(_ paho.Client, m paho.Message) {
		seen <- fmt.Sprint(m.Topic(), " ", string(m.Payload()), " ", m.Retained())
	}
	if err := wait(watcher.Subscribe("#", 1, note)); err != nil {
		t.Fatal(err)
	}
	if got, want := receive(t, "retained presence", seen), "greywatt/larch-04/n1/presence up true"; got != want {
		t.Errorf("seen %q, want %q", got, want)
	}
	node.Publish(readings, 1, false, "[]")
	if got, want := receive(t, "message", seen), readings+" [] false"; got != want {
		t.Errorf("seen %q, want %q", got, want)
	}
	// What is not a node's topic is acknowledged at once and not the sink's.
	if err := wait(node.Publish("greywatt/notes", 1, false, "hello")); err != nil {
		t.Error(err)
	}
	if got, want := receive(t, "message", seen), "greywatt/notes hello false"; got != want {
		t.Errorf("seen %q, want %q", got, want)
	}
	sink.commit()
	if err := wait(presence); err != nil {
		t.Error(err)
	}
	if n := b.Status().Messages; n != 2 {
		t.Errorf("%d messages to the sink, want 2", n)
	}
}

func TestLastWillReachesTheSink(t *testing.T) {
	sink := newSink()
	b := listen(t, Config{Sink: sink})
	will := options(b, "n1").SetWill("greywatt/larch-04/n1/presence", "down", 1, true)
	dialled := make(chan net.Conn, 1)
	will.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
		c, err := net.Dial("tcp", strings.TrimPrefix(b.URL(), "tcp://"))
		dialled <- c
		return c, err
	})
	connect(t, will)
	(<-dialled).Close() // without a word
	if got, want := receive(t, "last will", sink.offered), "greywatt/larch-04/n1/presence down"; got != want {
		t.Errorf("offered %q, want %q", got, want)
	}
}

// A client that does not read its acknowledgements holds up neither the sink
// nor the others.
func TestAckerDoesNotWait(t *testing.T) {
	server := mqtt.New(&mqtt.Options{})
	here, there := net.Pipe() // which holds nothing: a write waits for its reader
	defer there.Close()
	cl := server.NewClient(here, "pipe", "n1", false)
	defer cl.Stop(nil)
	a := &acker{cl: cl}
	for id := range uint16(1000) {
		a.send(ack{packets.Puback, id})
	}
	idle := a.idle()
	for id := range uint16(1000) {
		var b [4]byte
		if _, err := io.ReadFull(there, b[:]); err != nil {
			t.Fatal(err)
		}
		// A PUBACK as MQTT 3.1.1 section 3.4 has it, from memory.
		if want := [4]byte{0x40, 2, byte(id >> 8), byte(id)}; b != want {
			t.Fatalf("read % x, want % x", b, want)
		}
	}
	receive(t, "end of the writing", idle)
	receive(t, "end of the writing", a.idle())
}

func TestCloseSendsLastAcknowledgements(t *testing.T) {
	sink := newSink()
	b := listen(t, Config{Sink: sink})
	c := connect(t, options(b, "n1"))
	var tokens []paho.Token
	for range 50 {
		tokens = append(tokens, c.Publish(readings, 1, false, "x"))
		receive(t, "message", sink.offered)
	}
	sink.commit()
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	for i, tok := range tokens {
		if err := wait(tok); err != nil {
			t.Fatalf("message %d: %v", i, err)
		}
	}
}

// A client that has stopped reading, and asked for no keepalive, does not keep
// the broker from closing.
func TestCloseWithStuckClient(t *testing.T) {
	b := listen(t, Config{Sink: newSink()})
	conn, err := net.Dial("tcp", strings.TrimPrefix(b.URL(), "tcp://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	hello := append([]byte{0x10, 17, 0, 4}, "MQTT\x04\x02\x00\x00\x00\x05stuck"...) // keepalive 0
	sub := append([]byte{0x82, 8, 0, 1, 0, 3}, "a/b\x00"...)
	if _, err := conn.Write(append(hello, sub...)); err != nil {
		t.Fatal(err)
	}
	answers := make([]byte, 4+5) // CONNACK and SUBACK, and nothing after them
	if _, err := io.ReadFull(conn, answers); err != nil {
		t.Fatal(err)
	}
	c := connect(t, options(b, "talker"))
	large := make([]byte, 1<<20)
	for range 100 { // far more than the sockets hold
		if err := wait(c.Publish("a/b", 1, false, large)); err != nil {
			t.Fatal(err)
		}
	}
	begin := time.Now()
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(begin); took > 3*closeTimeout {
		t.Errorf("closing took %v", took)
	}
}

func TestOpenAddressWantsUsers(t *testing.T) {
	for _, addr := range []string{":0", "0.0.0.0:0", "[::]:0"} {
		b, err := Listen(Config{Addr: addr, Prefix: "greywatt", Sink: newSink()})
		if err == nil {
			b.Close()
			t.Errorf("%s: listens for anyone", addr)
		} else if !strings.Contains(err.Error(), "users and passwords") {
			t.Errorf("%s: %v, want what to do", addr, err)
		}
	}
	for _, addr := range []string{"127.0.0.1", "127.0.0.1:x"} {
		if b, err := Listen(Config{Addr: addr, Prefix: "greywatt", Sink: newSink()}); err == nil {
			b.Close()
			t.Errorf("%s: listens", addr)
		}
	}
	b, err := Listen(Config{Addr: ":0", Prefix: "greywatt", Sink: newSink(), Users: users(t)})
	if err != nil {
		t.Fatalf("with users: %v", err)
	}
	b.Close()
}

func TestNodeTopic(t *testing.T) {
	tests := []struct {
		topic, node string
		ok          bool
	}{
		{"a/b/larch-04/n1/senml", "larch-04/n1", true},
		{"a/b/larch-04/n1/presence", "larch-04/n1", true},
		{"a/b/larch-04/n1/other", "", false},
		{"a/b/n1/senml", "", false},
		{"a/b/x/larch-04/n1/senml", "", false},
		{"a/larch-04/n1/senml", "", false},
		{"a/b/senml", "", false},
	}
	for _, tt := range tests {
		node, ok := nodeTopic("a/b", tt.topic)
		if ok != tt.ok || ok && node != tt.node {
			t.Errorf("%s: %q, %v; want %q, %v", tt.topic, node, ok, tt.node, tt.ok)
		}
	}
}

func TestSameClientIDIsCounted(t *testing.T) {
	b := listen(t, Config{Sink: newSink()})
	lost := make(chan error, 1)
	connect(t, options(b, "n1").SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err }))
	connect(t, options(b, "n1"))
	receive(t, "end of the first connection", lost)
	if err := b.Close(); err != nil { // waits for its goroutines
		t.Fatal(err)
	}
	if n := b.Status().TakenOver; n != 1 {
		t.Errorf("%d taken over, want 1", n)
	}
}

// A will that the sink has no room for is told of as a warning, for the node
// stays up in the books; one that comes as the logger stops is not.
func TestLostWillIsToldOf(t *testing.T) {
	stopping := errors.New("stopping")
	for _, tt := range []struct {
		refuse error
		warns  bool
	}{
		{errors.New("full"), true},
		{fmt.Errorf("offer: %w", stopping), false},
	} {
		sink := newSink()
		sink.setRefuse(tt.refuse)
		var told bytes.Buffer
		h := newHook(Config{
			Prefix: "greywatt", Sink: sink, Stopped: stopping, Log: slog.New(slog.NewTextHandler(&told, nil)),
		}, nil)
		h.OnWillSent(&mqtt.Client{ID: "n1"}, packets.Packet{TopicName: "greywatt/larch-04/n1/presence", Payload: []byte("down")})
		if got := strings.Contains(told.String(), "level=WARN"); got != tt.warns {
			t.Errorf("refused with %v: warned %t, log %q", tt.refuse, got, told.String())
		}
		if n := h.dropped.Load(); n != 1 {
			t.Errorf("refused with %v: %d counted as dropped, want 1", tt.refuse, n)
		}
	}
}
