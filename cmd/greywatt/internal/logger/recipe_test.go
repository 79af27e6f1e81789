package logger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/message"
	"greywatt/ingest/store"
)

const recipes = `
[[recipe]]
[recipe.mqtt]
topics = ["plumbing/{dwelling}/{channel}"]
payload = "text"
[recipe.time]
arrival = true
[[recipe.channel]]
channel = "cold-in"
from = "mains"
unit = "degF"

[[recipe]]
[recipe.mqtt]
topics = ["flats/{dwelling}/{node}/state"]
payload = "json"
samples = "$.s[*]"
[recipe.time]
from = "$.t"
format = "unix-s"
[[recipe.channel]]
channel = "waste-in"
from = "$.w"
unit = "Cel"
[[recipe.channel]]
channel = "flow"
from = "$.pulses"
unit = "pulse"
pulses_per_litre = 10
counter = "total"
`

func newLogger(t testing.TB, dir string) (l *Logger, stop func()) {
	t.Helper()
	study := &greywatt.Study{Timezone: time.UTC, Dwellings: []greywatt.Dwelling{{ID: "larch-04", Connection: greywatt.ConnectionA}}}
	rs, err := recipe.Read(strings.NewReader(recipes))
	if err != nil {
		t.Fatal(err)
	}
	others, err := message.NewDecoder(rs, payload.NewResolver(study))
	if err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	l = New(st, study, "greywatt", slog.New(slog.DiscardHandler), time.Now, false, others, Options{})
	return l, func() {
		if err := st.Close(); err != nil {
			t.Error(err)
		}
	}
}

func running(t *testing.T, l *Logger) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- l.Run(ctx) }()
	return func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// publish returns once the broker has acknowledged.
func publish(t *testing.T, url, topic, body string, retained bool) {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("node"))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal("connect:", tok.Error())
	}
	defer c.Disconnect(100)
	if tok := c.Publish(topic, 1, retained, body); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatalf("publish %s: %v", topic, tok.Error())
	}
}

func stored(t *testing.T, st *store.Store) (lines []string) {
	t.Helper()
	frames := st.Frames(t.Context(), "larch-04", 0, greywatt.InstantOf(time.Now().Add(time.Hour)))
	for part, err := range frames {
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, framesText(part)...)
	}
	return lines
}

func framesText(frames []greywatt.Frame) (lines []string) {
	for _, f := range frames {
		for c, v := range f.Value {
			if v == v {
				at := fmt.Sprint(int64(f.At))
				if age := time.Since(f.At.Time()); age < time.Minute {
					at = "now"
				}
				lines = append(lines, fmt.Sprintf("%s %s %s %.4g", at, f.Node, greywatt.Channel(c), v))
			}
		}
	}
	return lines
}

// With the logger's own broker an acknowledged message of a recipe's topic is
// on disk: the store has it at the moment of the acknowledgement.
func TestRecipeTopicsOwnBroker(t *testing.T) {
	l, closeStore := newLogger(t, t.TempDir())
	defer closeStore()
	if err := l.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "greywatt"}); err != nil {
		t.Fatal(err)
	}
	defer running(t, l)()
	url := l.Broker.URL()
	publish(t, url, "plumbing/larch-04/mains", "mains is at 50.9 F", false)
	if got := stored(t, l.Store); len(got) != 1 || got[0] != "now mqtt cold-in 10.5" {
		t.Fatalf("after the first acknowledgement the store has %q", got)
	}
	publish(t, url, "flats/larch-04/box-2/state", `{"s":[{"t":1768199400,"w":38.5,"pulses":100},{"t":1768199402,"w":39,"pulses":103}]}`, false)
	publish(t, url, "flats/larch-04/box-2/state", `{"s":[{"t":1768199402,"w":39,"pulses":103},{"t":1768199404,"w":39.5,"pulses":105}]}`, false)
	want := []string{
		"1768199400000000 box-2 waste-in 38.5", "1768199402000000 box-2 waste-in 39", "1768199402000000 box-2 flow 0.15",
		"1768199404000000 box-2 waste-in 39.5", "1768199404000000 box-2 flow 0.1", "now mqtt cold-in 10.5",
	}
	if got := stored(t, l.Store); strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("stored\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	publish(t, url, "flats/larch-04/box-2/state", `nonsense`, false)
	publish(t, url, "flats/elm-01/box-2/state", `{"s":[{"t":1768199400,"w":38.5}]}`, false)
	publish(t, url, "elsewhere/topic", `not ours`, false)
	counts, err := l.Store.RejectedCounts(t.Context())
	if err != nil || len(counts) != 2 || counts[0].Reason != ingest.BadPayload || counts[1].Reason != ingest.UnknownDwelling {
		t.Errorf("rejected %v, %v", counts, err)
	}
}

// From another broker: what it had retained has no time of arrival, and is
// rejected; what comes afterwards counts.
func TestRecipeTopicsOtherBroker(t *testing.T) {
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "elsewhere", Sink: refusing{}})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	publish(t, b.URL(), "plumbing/larch-04/mains", "40.1", true)
	l, closeStore := newLogger(t, t.TempDir())
	defer closeStore()
	if err := l.Subscribe(mqttsource.Config{Broker: b.URL(), ClientID: "logger", Prefix: "greywatt"}); err != nil {
		t.Fatal(err)
	}
	defer running(t, l)()
	await(t, "the retained message", func() bool { return l.Committer.Status().Rejected[ingest.RetainedMessage] == 1 })
	publish(t, b.URL(), "plumbing/larch-04/mains", "50", false)
	await(t, "the next", func() bool { return len(stored(t, l.Store)) == 1 })
	if got := stored(t, l.Store); got[0] != "now mqtt cold-in 10" {
		t.Errorf("stored %q", got)
	}
}

type refusing struct{}

func (refusing) Offer(string, []byte, func()) error { return errors.New("not for me") }

func await(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s did not come", what)
		}
	}
}

// Who overhears gets what is retained and what comes, for as long as asked for,
// and leaves no session behind.
func TestOverhear(t *testing.T) {
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "elsewhere", Sink: refusing{}})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	publish(t, b.URL(), "a/kept", "1", true)
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	heard := make(chan string, 10)
	done := make(chan error, 1)
	go func() {
		done <- mqttsource.Overhear(ctx, mqttsource.Config{Broker: b.URL(), ClientID: "ear"}, []string{"a/#"}, func(topic string, body []byte, retained bool) {
			heard <- fmt.Sprint(topic, " ", string(body), " ", retained)
		})
	}()
	if got := <-heard; got != "a/kept 1 true" {
		t.Errorf("heard %q", got)
	}
	publish(t, b.URL(), "a/now", "2", false)
	if got := <-heard; got != "a/now 2 false" {
		t.Errorf("heard %q", got)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if err := mqttsource.Overhear(t.Context(), mqttsource.Config{Broker: "tcp://127.0.0.1:1", ClientID: "ear"}, nil, nil); err == nil {
		t.Error("no error where nobody answers")
	}
}

// What no recipe takes is heard: the recipe that is proposed for it, put into the
// study, gives the readings that were shown before.
func TestOverheardRecipe(t *testing.T) {
	l, closeStore := newLogger(t, t.TempDir())
	defer closeStore()
	l.overheard = newOverheard()
	if err := l.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "greywatt"}); err != nil {
		t.Fatal(err)
	}
	stop := running(t, l)
	url := l.Broker.URL()
	if n := l.overheard.Topics(); n != 0 {
		t.Errorf("%d topics before any came", n)
	}
	publish(t, url, "plumbing/larch-04/mains", "mains is at 50.9 F", false) // a recipe's
	publish(t, url, "house/larch-04/state", "online", false)                // nothing like a reading
	messages := []string{`{"cold_c":11.5,"waste_in_c":21.0,"flow_lpm":0}`, `{"cold_c":10.9,"waste_in_c":36.5,"flow_lpm":7.8}`, `{"cold_c":10.7,"waste_in_c":37.5,"flow_lpm":8.4}`}
	for _, m := range messages {
		publish(t, url, "house/larch-04/box", m, false)
	}
	if n := l.overheard.Topics(); n != 1 {
		t.Errorf("%d topics, want 1", n)
	}
	study := &greywatt.Study{Timezone: time.UTC, Dwellings: []greywatt.Dwelling{{ID: "larch-04", Connection: greywatt.ConnectionA}}}
	p := l.overheard.Propose(study)
	if len(p.Unready) > 0 || len(p.Refused) > 0 || p.Topics != 1 {
		t.Fatalf("%+v", p)
	}
	got := map[greywatt.Channel]string{}
	for _, row := range p.Preview {
		got[row.Channel] = fmt.Sprintf("%s %d %.2f %.2f to %.2f %s", row.Dwelling, row.Readings, row.Newest, row.Lowest, row.Highest, row.Unit)
	}
	if got[greywatt.ColdIn] != "larch-04 3 10.70 10.70 to 11.50 °C" || got[greywatt.Flow] != "larch-04 3 8.40 0.00 to 8.40 l/min" || len(got) != 3 {
		t.Errorf("previewed %v by\n%s", got, p.Recipe)
	}
	stop()

	rs, err := recipe.Read(strings.NewReader("[study]\n" + p.Recipe))
	if err != nil {
		t.Fatal(err)
	}
	others, err := message.NewDecoder(rs, payload.NewResolver(study))
	if err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	l = New(st, study, "greywatt", slog.New(slog.DiscardHandler), time.Now, false, others, Options{})
	if err := l.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "greywatt"}); err != nil {
		t.Fatal(err)
	}
	defer running(t, l)()
	publish(t, l.Broker.URL(), "house/larch-04/box", messages[2], false)
	want := fmt.Sprintf("now mqtt cold-in 10.7, now mqtt flow %.4g", 8.4/60)
	if lines := strings.Join(stored(t, st), ", "); !strings.Contains(lines, "cold-in 10.7") || !strings.Contains(lines, fmt.Sprintf("flow %.4g", 8.4/60)) {
		t.Errorf("stored %s, want %s", lines, want)
	}
}

// What another broker has besides the study's topics is heard there too, the
// retained and the new, and is not stored.
func TestOverheardAtAnotherBroker(t *testing.T) {
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "elsewhere", Sink: refusing{}})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	publish(t, b.URL(), "house/larch-04/box", `{"cold_c":11.5,"waste_in_c":21.0}`, true)
	l, closeStore := newLogger(t, t.TempDir())
	defer closeStore()
	l.overheard = newOverheard()
	if err := l.Subscribe(mqttsource.Config{Broker: b.URL(), ClientID: "logger", Prefix: "greywatt"}); err != nil {
		t.Fatal(err)
	}
	defer running(t, l)()
	await(t, "what is retained", func() bool { return l.overheard.Topics() == 1 })
	publish(t, b.URL(), "greywatt/larch-04/n1/senml", `[{"bn":"larch-04/n1/","bt":1768199400,"bu":"Cel","n":"cold-in","v":10.5}]`, false)
	publish(t, b.URL(), "plumbing/larch-04/mains", "50.9 F", false)
	publish(t, b.URL(), "attic/fir-02/tank", `{"cold_c":10.5,"waste_in_c":31.0}`, false)
	await(t, "what is new", func() bool { return l.overheard.Topics() == 2 })
	await(t, "the study's own", func() bool { return len(stored(t, l.Store)) == 2 })
	p := l.overheard.Propose(&greywatt.Study{Timezone: time.UTC, Dwellings: []greywatt.Dwelling{{ID: "larch-04"}}})
	for _, want := range []string{"house/", "attic/"} {
		if !strings.Contains(p.Recipe, want) {
			t.Errorf("%s is not in the recipe\n%s", want, p.Recipe)
		}
	}
	for _, own := range []string{"plumbing/", "senml"} {
		if strings.Contains(p.Recipe, own) {
			t.Errorf("%s is in the recipe\n%s", own, p.Recipe)
		}
	}
}

// Of a busy broker no more is heard than the ear is allowed.
func TestEarTakesTurns(t *testing.T) {
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "elsewhere", Sink: refusing{}})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for i := range 5 {
		publish(t, b.URL(), fmt.Sprintf("house/larch-04/%d", i), "1.5", true)
	}
	all := func(string) bool { return false }
	e := newEar(newOverheard(), mqttsource.Config{Broker: b.URL(), Prefix: "greywatt"}, all, slog.New(slog.DiscardHandler))
	e.messages = 3
	if full, err := e.listen(t.Context()); !full || err != nil {
		t.Errorf("by messages: %v, %v", full, err)
	}
	if n := e.heard.Topics(); n < 3 {
		t.Errorf("%d topics", n)
	}
	e.messages, e.bytes = 1000, 6
	if full, err := e.listen(t.Context()); !full || err != nil {
		t.Errorf("by bytes: %v, %v", full, err)
	}
	e.bytes, e.turn = 1000, 50*time.Millisecond
	if full, _ := e.listen(t.Context()); full {
		t.Error("by time: taken for full")
	}
}

// A broker that cannot be listened to is told of once.
func TestEarTellsOnce(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var refusing sync.WaitGroup
	refusing.Go(func() {
		answer := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
		answer.ReturnCode = packets.ErrRefusedNotAuthorised
		for asked := 0; ; {
			c, err := l.Accept()
			if err != nil {
				return
			}
			if _, err := packets.ReadPacket(c); err == nil {
				if asked++; asked == 10 {
					cancel()
				}
				answer.Write(c)
			}
			c.Close()
		}
	})
	var log bytes.Buffer
	e := newEar(newOverheard(), mqttsource.Config{Broker: "tcp://" + l.Addr().String(), Prefix: "greywatt"}, nil, slog.New(slog.NewTextHandler(&log, nil)))
	e.least, e.rest = time.Millisecond, 2*time.Millisecond
	e.run(ctx)
	l.Close()
	refusing.Wait()
	if n := strings.Count(log.String(), "not heard for now"); n != 1 {
		t.Errorf("told %d times:\n%s", n, log.String())
	}
}

// A stranger's message waits for nobody, not even for a proposal being made.
func TestOverheardDoesNotWait(t *testing.T) {
	o := newOverheard()
	o.mu.Lock()
	o.take("a/b", []byte("1")) // returns
	o.mu.Unlock()
	if o.Topics() != 0 {
		t.Error("a message came in while the lock was held")
	}
	o.take("a/b", []byte("1"))
	if o.Topics() != 1 {
		t.Error("a message does not count")
	}
}

// Whose readings count for when they came is in the store after a stop, beside
// those that were known before; whose messages state a time is not among them.
func TestArrivalsAreKept(t *testing.T) {
	l, closeStore := newLogger(t, t.TempDir())
	defer closeStore()
	if err := l.Store.SetNote(t.Context(), "larch-04", ArrivalsNote, []byte(`["box-9"]`)); err != nil {
		t.Fatal(err)
	}
	if err := l.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "greywatt"}); err != nil {
		t.Fatal(err)
	}
	stop := running(t, l)
	publish(t, l.Broker.URL(), "flats/larch-04/box-2/state", `{"s":[{"t":1768199400,"w":38.5}]}`, false)
	publish(t, l.Broker.URL(), "plumbing/larch-04/mains", "nothing here", false) // no reading
	if got := l.others.Arrivals(); len(got) != 0 {
		t.Errorf("of messages with a time, or without a reading: %v", got)
	}
	publish(t, l.Broker.URL(), "plumbing/larch-04/mains", "50.9 F", false)
	stop()
	got, err := ReadArrivals(t.Context(), l.Store)
	if err != nil || fmt.Sprint(got) != "map[larch-04:[box-9 mqtt]]" {
		t.Errorf("kept %v, %v", got, err)
	}
}
