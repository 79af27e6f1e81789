package broker

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Whatever strangers send, the log stays small and names how much it left out.
func TestLogIsBounded(t *testing.T) {
	var log bytes.Buffer
	tell := newTeller(slog.New(slog.NewTextHandler(&log, nil)))
	now := time.Now()
	tell.now = func() time.Time { return now }
	long := strings.Repeat("x\n", 8000)
	for range 100_000 {
		tell.warn("connection refused", "client", long, "user", long)
	}
	if n := log.Len(); n > 10_000 {
		t.Errorf("%d bytes of log", n)
	}
	if tell.leftOut() != 100_000-lineBurst {
		t.Errorf("%d lines left out", tell.leftOut())
	}
	now = now.Add(lineEvery)
	tell.warn("connection refused", "client", "n1")
	if want := fmt.Sprintf("lines_like_it_left_out=%d", 100_000-lineBurst); !strings.Contains(log.String(), want) {
		t.Errorf("no %s in\n%s", want, log.String())
	}
	tell.warn("topic refused", "client", "n1")
	if !strings.Contains(log.String(), "topic refused") {
		t.Error("a line of another kind is left out")
	}
}

func TestLongClientIDIsRefused(t *testing.T) {
	b := listen(t, Config{Sink: newSink()})
	connect(t, options(b, strings.Repeat("n", maxClientID)))
	if err := wait(paho.NewClient(options(b, strings.Repeat("n", maxClientID+1))).Connect()); err == nil {
		t.Error("a longer one is admitted")
	}
}

// What waits for subscribers is bounded in bytes: of one that does not read, of
// many, and of those that are away, for whom nothing waits.
func TestSubscribersAreBounded(t *testing.T) {
	b := listen(t, Config{Sink: newSink()})
	away := options(b, "away").SetCleanSession(false)
	c := paho.NewClient(away)
	if err := wait(c.Connect()); err != nil {
		t.Fatal(err)
	}
	if err := wait(c.Subscribe("#", 1, nil)); err != nil {
		t.Fatal(err)
	}
	c.Disconnect(200)
	for range 8 { // that read nothing after their SUBACK
		conn, err := net.Dial("tcp", strings.TrimPrefix(b.URL(), "tcp://"))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		hello := append([]byte{0x10, 16, 0, 4}, "MQTT\x04\x02\x00\x00\x00\x04s"...)
		hello = append(hello, fmt.Sprintf("%03d", time.Now().UnixNano()%1000)...)
		sub := append([]byte{0x82, 6, 0, 1, 0, 1}, "#\x01"...)
		if _, err := conn.Write(append(hello, sub...)); err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Read(make([]byte, 9)); err != nil {
			t.Fatal(err)
		}
	}
	before := heap()
	talker := connect(t, options(b, "talker"))
	for i := range 300 {
		large := bytes.Repeat([]byte{byte(i)}, 1<<20)
		if err := wait(talker.Publish("a/b", 1, false, large)); err != nil {
			t.Fatal(err)
		}
	}
	if used := b.hook.relayed.used.Load(); used > relayBytes {
		t.Errorf("%d bytes wait for subscribers", used)
	}
	if grown := int64(heap()) - int64(before); grown > 2*relayBytes {
		t.Errorf("300 MiB to eight subscribers that do not read: %d MiB more heap", grown>>20)
	}
	if b.Status().Unwatched == 0 {
		t.Error("what was not passed on is not counted")
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if used := b.hook.relayed.used.Load(); used != 0 {
		t.Errorf("%d bytes are still charged after the end", used)
	}
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// A subscriber that answers gets everything, and what it has answered is no
// longer charged.
func TestSubscriberThatReadsGetsAll(t *testing.T) {
	b := listen(t, Config{Sink: newSink()})
	got := make(chan int, 1000)
	watcher := connect(t, options(b, "watcher"))
	if err := wait(watcher.Subscribe("a/+", 1, func(_ paho.Client, m paho.Message) { got <- len(m.Payload()) })); err != nil {
		t.Fatal(err)
	}
	talker := connect(t, options(b, "talker"))
	for i := range 500 {
		if err := wait(talker.Publish("a/b", byte(i%2), false, make([]byte, 1000+i))); err != nil {
			t.Fatal(err)
		}
		if n := receive(t, "message", got); n != 1000+i {
			t.Fatalf("message %d has %d bytes", i, n)
		}
	}
	for deadline := time.Now().Add(timeout); b.hook.relayed.used.Load() > 0; {
		if time.Now().After(deadline) {
			t.Fatalf("%d bytes are still charged", b.hook.relayed.used.Load())
		}
		time.Sleep(time.Millisecond)
	}
	if n := b.Status().Unwatched; n != 0 {
		t.Errorf("%d messages were not passed on", n)
	}
}

func TestReadingsAreNotRetained(t *testing.T) {
	b := listen(t, Config{Sink: newSink()})
	for topic, want := range map[string]bool{"greywatt/a/n/senml": false, "greywatt/a/n/presence": true, "a/b": true} {
		b.hook.retain(packets.Packet{TopicName: topic, Payload: []byte("x")})
		if _, ok := b.server.Topics.Retained.Get(topic); ok != want {
			t.Errorf("%s retained: %t", topic, ok)
		}
	}
	b.hook.retain(packets.Packet{TopicName: "large", Payload: make([]byte, maxRetained+1)})
	if _, ok := b.server.Topics.Retained.Get("large"); ok {
		t.Error("a large message is retained")
	}
}

// An account that is removed, or given another password, loses its connection;
// the others keep theirs.
func TestSetUsersEndsConnections(t *testing.T) {
	old := users(t)
	b := listen(t, Config{Sink: newSink(), Users: old})
	lost := make(map[string]chan error)
	for _, name := range []string{"a", "b", "w"} {
		ended := make(chan error, 1)
		lost[name] = ended
		connect(t, as(options(b, name), name).SetConnectionLostHandler(func(_ paho.Client, err error) { ended <- err }))
	}
	next := &Users{byName: map[string]account{"a": old.byName["a"], "b": {hash: []byte(hash(t, "new")), node: "oak-01/n1"}}}
	b.SetUsers(next)
	receive(t, "end of the connection whose password changed", lost["b"])
	receive(t, "end of the connection whose account is gone", lost["w"])
	select {
	case err := <-lost["a"]:
		t.Errorf("the unchanged account lost its connection: %v", err)
	default:
	}
	if err := wait(paho.NewClient(as(options(b, "again"), "w")).Connect()); err == nil {
		t.Error("the removed account is admitted again")
	}
}

func TestProbe(t *testing.T) {
	b := listen(t, Config{Sink: newSink()})
	ctx, cancel := context.WithTimeout(t.Context(), timeout)
	defer cancel()
	if err := b.Probe(ctx); err != nil {
		t.Errorf("of a broker that runs: %v", err)
	}
	b.Close()
	if err := b.Probe(ctx); err == nil {
		t.Error("no error of one that is closed")
	}
	// One that is listened to by the system, and that nobody accepts from.
	deaf, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer deaf.Close()
	short, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := (&Broker{url: "tcp://" + deaf.Addr().String()}).Probe(short); err == nil {
		t.Error("no error of one that is deaf")
	}
}

// Many accounts come back at once, as after a restart, by a client that gives up
// soon and comes again: all are in within the time that checking each password
// once takes, and a little.
func TestReconnectStorm(t *testing.T) {
	const accounts = 100
	var names []string
	for i := range accounts {
		names = append(names, fmt.Sprint("n", i))
	}
	b := listen(t, Config{Sink: newSink(), Users: costly(t, names...)})
	var all sync.WaitGroup
	for _, name := range names {
		all.Go(func() {
			for range 200 {
				o := options(b, name).SetUsername(name).SetPassword("right").SetConnectTimeout(300 * time.Millisecond)
				c := paho.NewClient(o)
				if c.Connect().WaitTimeout(300*time.Millisecond) && c.IsConnected() {
					defer c.Disconnect(0)
					return
				}
				c.Disconnect(0)
			}
			t.Errorf("%s is not admitted", name)
		})
	}
	all.Wait()
}
