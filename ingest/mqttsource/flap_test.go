package mqttsource

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"greywatt"
	"greywatt/ingest/retry"
)

// A flappingBroker keeps messages for a session until they are acknowledged over
// the connection that they came on, and is reached over a link that comes and goes.
type flappingBroker struct {
	mu      sync.Mutex
	up      bool
	client  *flappingClient // connected, or nil
	queue   []*keptMessage
	sent    int // deliveries
	dialled int
	rng     *rand.Rand // of how long a connection is tried in vain
}

type flappingClient struct {
	broker *flappingBroker
	take   func(message)
	lost   chan error
}

type keptMessage struct {
	topic string
	body  []byte
}

// A delivery is a message on one connection.
type delivery struct {
	*keptMessage
	client *flappingClient
}

func (d delivery) Topic() string   { return d.topic }
func (d delivery) Payload() []byte { return d.body }
func (d delivery) Qos() byte       { return 1 }
func (d delivery) Retained() bool  { return false }

// Ack reaches the broker while the connection stands, and often enough gets
// lost with it.
func (d delivery) Ack() {
	b := d.client.broker
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.client == d.client {
		b.queue = slices.DeleteFunc(b.queue, func(m *keptMessage) bool { return m == d.keptMessage })
	}
}

func (b *flappingBroker) dial() client { return &flappingClient{broker: b, lost: make(chan error, 1)} }

func (c *flappingClient) resumed() bool { return true }

func (c *flappingClient) wish(string) <-chan struct{} { return nil }

func (c *flappingClient) connect(ctx context.Context, take func(message)) (<-chan error, error) {
	b := c.broker
	b.mu.Lock()
	b.dialled++
	up, silence := b.up, time.Duration(b.rng.Int64N(int64(20*time.Second)))
	b.mu.Unlock()
	if !up {
		if !retry.Sleep(ctx, silence) {
			return nil, ctx.Err()
		}
		return nil, errors.New("no route to host")
	}
	c.take = take
	b.mu.Lock()
	b.client = c
	waiting := slices.Clone(b.queue)
	b.mu.Unlock()
	for _, m := range waiting {
		b.deliver(c, m)
	}
	return c.lost, nil
}

func (c *flappingClient) subscribe(context.Context, []string) error { return nil }

func (c *flappingClient) close() {
	c.broker.mu.Lock()
	defer c.broker.mu.Unlock()
	if c.broker.client == c {
		c.broker.client = nil
	}
}

func (b *flappingBroker) deliver(c *flappingClient, m *keptMessage) {
	b.mu.Lock()
	connected := b.client == c
	if connected {
		b.sent++
	}
	b.mu.Unlock()
	if connected {
		c.take(delivery{m, c})
	}
}

func (b *flappingBroker) publish(topic string, body []byte) {
	m := &keptMessage{topic, body}
	b.mu.Lock()
	b.queue = append(b.queue, m)
	c := b.client
	b.mu.Unlock()
	if c != nil {
		b.deliver(c, m)
	}
}

// flap lets the link come and go until ctx ends, and leaves it up. Now and then
// it is down for hours; mostly for seconds.
func (b *flappingBroker) flap(ctx context.Context, rng *rand.Rand) (times int) {
	wait := func(mean float64) bool { return retry.Sleep(ctx, time.Duration(rng.ExpFloat64()*mean*1e9)) }
	for ctx.Err() == nil {
		b.mu.Lock()
		b.up = true
		b.mu.Unlock()
		if !wait(45) {
			return times
		}
		b.mu.Lock()
		b.up = false
		c := b.client
		b.client = nil
		b.mu.Unlock()
		if c != nil {
			c.lost <- errors.New("connection reset by peer")
		}
		times++
		mean := 20.0
		if rng.IntN(100) == 0 {
			mean = 3600
		}
		wait(mean)
	}
	b.mu.Lock()
	b.up = true
	b.mu.Unlock()
	return times
}

// A day of a link that breaks some thousand times, with a disk that is full for
// ten minutes of each hour: nothing is lost, nothing counts twice, the logger
// keeps coming back and does not storm the broker.
func TestADayOfFlapping(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := new(fakeLog)
		c, _ := start(t, CommitterConfig{Log: log})
		b := &flappingBroker{rng: rand.New(rand.NewPCG(3, 4))}
		s, err := New(Config{Broker: "tcp://broker.example", ClientID: "logger", Prefix: "greywatt"}, c)
		if err != nil {
			t.Fatal(err)
		}
		s.dial = b.dial
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- s.Run(ctx) }()
		day, over := context.WithTimeout(t.Context(), 24*time.Hour)
		defer over()
		flapped := make(chan int)
		go func() { flapped <- b.flap(day, rand.New(rand.NewPCG(5, 6))) }()

		want := map[greywatt.Reading]bool{}
		for minute := range 24 * 60 {
			log.full.Store(minute%60 >= 50)
			for i := range 3 {
				node := fmt.Sprintf("n%d", i)
				at := greywatt.InstantOf(time.Now())
				b.publish("greywatt/larch-04/"+node+"/senml", fmt.Appendf(nil, `[{"n":"waste-in","u":"Cel","t":%d,"v":30}]`, time.Now().Unix()))
				want[greywatt.Reading{Dwelling: "larch-04", Node: node, Channel: greywatt.WasteIn, At: at, Value: 30}] = true
			}
			time.Sleep(time.Minute)
		}
		log.full.Store(false)
		times := <-flapped
		time.Sleep(15 * time.Minute)
		synctest.Wait()
		b.mu.Lock()
		left, sent, dialled := len(b.queue), b.sent, b.dialled
		b.mu.Unlock()
		if st := s.Status(); left != 0 || !st.Connected || c.Status().Held != 0 {
			t.Errorf("%d messages are left with the broker; %+v, %+v", left, st, c.Status())
		}
		stop()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
		for r := range want {
			if !log.readings[r] {
				t.Fatalf("lost: %+v", r)
			}
		}
		if len(log.readings) != len(want) {
			t.Errorf("%d readings, want %d", len(log.readings), len(want))
		}
		t.Logf("the link broke %d times; %d connections attempted; %d messages delivered %d times", times, dialled, len(want), sent)
		if times < 500 || sent <= len(want) {
			t.Errorf("the link broke %d times and %d messages were delivered %d times: nothing was shown", times, len(want), sent)
		}
		if dialled > 10*times {
			t.Errorf("%d attempts for %d losses", dialled, times)
		}
	})
}
