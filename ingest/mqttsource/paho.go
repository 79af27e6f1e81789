package mqttsource

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A client is one connection to a broker.
type client interface {
	// connect resumes the session; messages go to take, one at a time. The end
	// of the connection is sent on the channel, unless close caused it.
	connect(ctx context.Context, take func(message)) (<-chan error, error)
	subscribe(ctx context.Context, filters []string) error
	// wish asks for what the broker need not grant, with QoS 0. The channel is closed once it
	// has answered, whatever it said.
	wish(filter string) (answered <-chan struct{})
	// resumed reports whether the broker had kept the session.
	resumed() bool
	close()
}

// A message is what a [link] needs of one.
type message interface {
	Topic() string
	Payload() []byte
	Qos() byte
	Retained() bool // the broker had kept it
	Ack()           // harmless once the connection is gone
}

// quiesce is how long a clean disconnect may take, in milliseconds.
const quiesce = 1000

// paho is a client by Eclipse Paho. Each is used for one connection: the
// library's own reconnecting has no jitter and reports nothing, and a client
// that is used again delivers from its memory what the broker sends again too.
type paho struct {
	cfg    Config
	client mqtt.Client
	take   func(message)
	lost   chan error
	abort  context.CancelFunc // breaks a connection attempt off

	present atomic.Bool // the session

	mu   sync.Mutex
	conn net.Conn
}

func newPaho(cfg Config, u *url.URL) *paho {
	p := &paho{cfg: cfg, lost: make(chan error, 1)}
	o := mqtt.NewClientOptions()
	o.Servers = []*url.URL{u}
	o.SetClientID(cfg.ClientID).SetUsername(cfg.User).SetPassword(cfg.Password)
	o.SetProtocolVersion(4) // else every refusal is asked for twice
	o.SetCleanSession(cfg.overhears)
	o.SetAutoReconnect(false).SetConnectRetry(false)
	o.SetAutoAckDisabled(true)
	o.SetOrderMatters(true)
	o.SetStore(discardStore{})
	o.SetKeepAlive(cfg.KeepAlive)
	o.SetPingTimeout(max(cfg.KeepAlive, 5*time.Second))
	o.SetConnectTimeout(cfg.Timeout)
	o.SetWriteTimeout(cfg.Timeout)
	// The session's messages may come before the subscription is renewed, so
	// they are not routed by topic.
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { p.take(m) })
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { p.lost <- fmt.Errorf("connection lost: %w", err) })
	alive, abort := context.WithCancel(context.Background())
	p.abort = abort
	o.SetCustomOpenConnectionFn(func(u *url.URL, _ mqtt.ClientOptions) (net.Conn, error) { return p.open(alive, u) })
	p.client = mqtt.NewClient(o)
	return p
}

func (p *paho) connect(ctx context.Context, take func(message)) (<-chan error, error) {
	p.take = take
	token := p.client.Connect()
	select {
	case <-token.Done():
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if err := token.Error(); err != nil {
		return nil, p.explain(err)
	}
	if t, ok := token.(*mqtt.ConnectToken); ok {
		p.present.Store(t.SessionPresent())
	}
	return p.lost, nil
}

func (p *paho) resumed() bool { return p.present.Load() }

// explain says what the broker's refusal means for whoever runs the logger.
func (p *paho) explain(err error) error {
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		if p.cfg.User == "" {
			return fmt.Errorf("the broker admits no anonymous client: name a user and password (%w)", err)
		}
		return fmt.Errorf("the broker does not admit user %q: check user, password and the broker's access rules (%w)", p.cfg.User, err)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return fmt.Errorf("the broker does not admit client id %q: choose another (%w)", p.cfg.ClientID, err)
	}
	return fmt.Errorf("connect: %w", err)
}

func (p *paho) subscribe(ctx context.Context, filters []string) error {
	want := make(map[string]byte, len(filters))
	for _, f := range filters {
		want[f] = 1
	}
	token := p.client.SubscribeMultiple(want, nil).(*mqtt.SubscribeToken)
	timeout := time.NewTimer(p.cfg.Timeout)
	defer timeout.Stop()
	select {
	case <-token.Done():
	case <-ctx.Done():
		return ctx.Err()
	case err := <-p.lost:
		return err
	case <-timeout.C:
		return fmt.Errorf("subscribe: the broker did not answer within %v", p.cfg.Timeout)
	}
	granted := token.Result()
	if err := token.Error(); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	for _, f := range filters {
		switch granted[f] {
		case 1, 2:
		case 0:
			return fmt.Errorf("subscribe: the broker grants %q with QoS 0 only, which loses messages: have its settings changed", f)
		default:
			return fmt.Errorf("subscribe: the broker does not allow %q to user %q: have its access rules changed", f, p.cfg.User)
		}
	}
	return nil
}

func (p *paho) wish(filter string) <-chan struct{} {
	answered := make(chan struct{})
	token := p.client.Subscribe(filter, 0, nil)
	go func() {
		<-token.Done() // the end of the connection does that too
		if p.client.IsConnectionOpen() {
			close(answered)
		}
	}()
	return answered
}

func (p *paho) close() {
	p.abort()
	if p.client.IsConnectionOpen() {
		p.client.Disconnect(quiesce)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.conn != nil {
		p.conn.Close()
	}
}

// open dials as the library does, except that it can be broken off and that
// every write has a deadline: the library's acknowledgements and pings have none.
func (p *paho) open(alive context.Context, u *url.URL) (conn net.Conn, err error) {
	ctx, cancel := context.WithTimeout(alive, p.cfg.Timeout)
	defer cancel()
	switch u.Scheme {
	case "tcp":
		conn, err = new(net.Dialer).DialContext(ctx, "tcp", u.Host)
	case "tls":
		d := tls.Dialer{Config: p.cfg.TLS}
		conn, err = d.DialContext(ctx, "tcp", u.Host)
	default:
		conn, err = mqtt.NewWebsocket(u.String(), p.cfg.TLS, p.cfg.Timeout, nil, nil)
	}
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := alive.Err(); err != nil { // close has been here already
		conn.Close()
		return nil, err
	}
	p.conn = deadlineConn{conn, p.cfg.Timeout}
	return p.conn, nil
}

// A deadlineConn gives up a write after its timeout.
type deadlineConn struct {
	net.Conn
	timeout time.Duration
}

func (c deadlineConn) Write(b []byte) (int, error) {
	if err := c.SetWriteDeadline(time.Now().Add(c.timeout)); err != nil {
		return 0, err
	}
	return c.Conn.Write(b)
}

// discardStore is a message store that stores nothing. The library would keep every
// unacknowledged message in memory; the broker does that on disk.
type discardStore struct{}

func (discardStore) Open()                             {}
func (discardStore) Put(string, packets.ControlPacket) {}
func (discardStore) Get(string) packets.ControlPacket  { return nil }
func (discardStore) All() []string                     { return nil }
func (discardStore) Del(string)                        {}
func (discardStore) Close()                            {}
func (discardStore) Reset()                            {}
