// Package broker is the MQTT broker that greywatt starts in its own process, so
// that a study needs no other server: mochi-mqtt, with one change that makes
// its acknowledgement worth something.
//
// An ordinary broker acknowledges a publish as soon as it holds it in memory;
// whoever subscribes gets it later, and a crash in between loses what the node
// was told is safe. Here a reading's message goes straight to a [Sink], and the
// node's PUBACK is sent when the sink says that the message is on disk, not
// before. The node's connection is read on meanwhile, so a node that has many
// packs under way gets one commit for all of them. Ordinary subscribers see
// every message as usual, and other topics are carried as by any broker.
//
// A session ends with its connection: a node keeps a pack until its PUBACK and
// sends it again after reconnecting. Retained messages, such as presences, live
// in memory and go with the process.
//
// The library alone can be made to use any amount of memory and to stop
// accepting. It is kept within bounds from outside: connections, packets as
// they arrive, passwords to be checked, what waits for subscribers, and lines in
// the log all have limits, most of them for each account or address.
//
// On loopback anyone may connect. Elsewhere the broker starts only with [Users],
// and a node may then publish only under its own dwelling and name.
package broker

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// DefaultAddr is where the broker listens unless told otherwise.
const DefaultAddr = "127.0.0.1:1883"

// DefaultMaxPacket bounds one MQTT packet, in bytes: some 100 000 readings in
// SenML JSON, far more than a node's memory holds. It is this project's choice.
const DefaultMaxPacket = 4 << 20

const (
	connectTimeout = 10 * time.Second // from TCP accept to a whole CONNECT packet
	closeTimeout   = 2 * time.Second  // for the last PUBACKs
	maxClients     = 20_000
	listenerID     = "nodes"
	// serverQueue bounds what the server itself keeps for one subscriber: last wills.
	serverQueue     = 64
	maxTopicAliases = 16
)

// A Sink takes the messages of the study's nodes in.
type Sink interface {
	// Offer takes a message and returns; safe is called, once and from any
	// goroutine, when the message is on disk. After an error safe is not called
	// and the node keeps the message. Offer may block for a short while to slow
	// the node down.
	Offer(topic string, payload []byte, safe func()) error
}

// Topics are those of nodes that do not publish as the study's own do.
type Topics interface {
	// Owner returns whose readings a topic carries, as far as the topic says so; ok
	// is false where it is none of them.
	Owner(topic string) (dwelling, node string, ok bool)
}

// A Config says how to listen.
type Config struct {
	Addr    string // HOST:PORT, [DefaultAddr] if empty; port 0 takes a free one
	Prefix  string // of the topics <prefix>/<dwelling>/<node>/senml and …/presence
	Sink    Sink   // gets those topics
	Stopped error  // what Sink answers once the logger is stopping; nil: nothing of its own
	Others  Topics // topics of other nodes that the sink takes too; nil: none
	// Unclaimed is called with each message of a topic that the sink does not take,
	// from any goroutine; it keeps nothing of body and does not wait. nil: not wanted.
	Unclaimed func(topic string, body []byte)
	Users     *Users       // nil: anyone, and only on loopback
	TLS       *tls.Config  // nil: plain TCP
	MaxPacket int          // bytes; [DefaultMaxPacket] if 0
	Log       *slog.Logger // nil: none
}

// A Status says how the broker fares.
type Status struct {
	URL          string
	Clients      int   // connected now
	Messages     int64 // taken by the sink
	Shed         int64 // messages not taken because the sink was full or stopped; their senders were disconnected and send them again
	Dropped      int64 // the same with QoS 0, which is not sent again
	Unwatched    int64 // not passed to a subscriber that was too slow or too long away
	Denied       int64 // connections and publishes refused
	TakenOver    int64 // connections that another with the same client id displaced
	TurnedAway   int64 // connections closed at once, as there were too many
	AcceptErrors int64 // connections that the system could not give
	Abandoned    int64 // clients that left before their password was checked
	LinesLeftOut int64 // log lines that were not written, as there were too many alike
}

// A Broker is a running broker.
type Broker struct {
	server  *mqtt.Server
	hook    *hook
	limits  *limits
	tls     bool
	url     string
	closing sync.Once
	close   func() error
}

// Listen starts a broker. It refuses an address beyond loopback without users.
func Listen(cfg Config) (*Broker, error) {
	if cfg.Addr == "" {
		cfg.Addr = DefaultAddr
	}
	if cfg.MaxPacket == 0 {
		cfg.MaxPacket = DefaultMaxPacket
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Prefix == "" || cfg.Sink == nil {
		panic("broker: Listen wants a prefix and a sink")
	}
	addr, err := net.ResolveTCPAddr("tcp", cfg.Addr)
	if err != nil {
		return nil, fmt.Errorf("broker address %q: want HOST:PORT, as in %s: %w", cfg.Addr, DefaultAddr, err)
	}
	if !addr.IP.IsLoopback() {
		if cfg.Users == nil {
			return nil, fmt.Errorf("broker address %q is open to other machines: name a file of users and passwords, or listen on 127.0.0.1", cfg.Addr)
		}
		if cfg.TLS == nil {
			cfg.Log.Warn("the broker has no TLS: passwords and readings cross the network in clear", "addr", cfg.Addr)
		}
	}
	tcp, err := net.ListenTCP("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	b, err := serve(cfg, tcp)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("broker: %w", err), tcp.Close())
	}
	return b, nil
}

func serve(cfg Config, tcp *net.TCPListener) (*Broker, error) {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients = maxClients
	caps.MaximumPacketSize = uint32(cfg.MaxPacket)
	caps.MaximumInflight = serverQueue
	caps.MaximumClientWritesPending = serverQueue
	caps.TopicAliasMaximum = maxTopicAliases
	caps.MaximumSessionExpiryInterval = 0
	caps.MaximumMessageExpiryInterval = 0 // a retained presence holds until the next, however old
	server := mqtt.New(&mqtt.Options{
		Capabilities:            caps,
		ClientNetReadBufferSize: 8 << 10,
		InlineClient:            true,
		// Its log would quote payloads; the hook says what matters.
		Logger: slog.New(slog.DiscardHandler),
	})
	h := newHook(cfg, server)
	if err := server.AddHook(h, nil); err != nil {
		return nil, err
	}
	listener, scheme := net.Listener(tcp), "tcp"
	if cfg.TLS != nil {
		listener, scheme = tls.NewListener(tcp, cfg.TLS), "tls"
	}
	shared := newLimits(cfg.Users != nil)
	listener = guarding{listener, connectTimeout, shared, h.tell.warn}
	if err := server.AddListener(listeners.NewNet(listenerID, listener)); err != nil {
		return nil, err
	}
	if err := server.Serve(); err != nil {
		return nil, err
	}
	return &Broker{server: server, hook: h, limits: shared, tls: cfg.TLS != nil, url: scheme + "://" + tcp.Addr().String(), close: sync.OnceValue(server.Close)}, nil
}

// URL returns where nodes connect, such as tcp://127.0.0.1:1883.
func (b *Broker) URL() string { return b.url }

// Status returns the broker's counters; it may be called from any goroutine.
func (b *Broker) Status() Status {
	return Status{
		URL:          b.url,
		Clients:      int(atomic.LoadInt64(&b.server.Info.ClientsConnected)),
		Messages:     b.hook.messages.Load(),
		Shed:         b.hook.shed.Load(),
		Dropped:      b.hook.dropped.Load(),
		Unwatched:    b.hook.unwatched.Load() + atomic.LoadInt64(&b.server.Info.InflightDropped),
		Denied:       b.hook.denied.Load(),
		TakenOver:    b.hook.takenOver.Load(),
		TurnedAway:   b.limits.turnedAway.Load(),
		AcceptErrors: b.limits.acceptErrors.Load(),
		Abandoned:    b.hook.gate.abandoned.Load(),
		LinesLeftOut: b.hook.tell.leftOut(),
	}
}

// Close ends all connections. Let the sink commit what it holds first: the
// PUBACKs of what it has called safe are still sent. It may be called again.
func (b *Broker) Close() error {
	b.closing.Do(b.hook.gate.close)
	for _, cl := range b.clients(listenerID) {
		cl.Net.Conn.SetDeadline(time.Now().Add(closeTimeout)) // good-byes have no limit of their own
	}
	b.hook.flush(closeTimeout)
	b.limits.connections() // the server counts a connection after it has begun, and waits below for those counted
	// The server's own way to say good-bye, Clients.GetByListener, takes a read
	// lock twice and stands still for ever where a client leaves in between. Once
	// the listener is closed here it does not go that way.
	b.server.Listeners.CloseAll(func(listener string) {
		for _, cl := range b.clients(listener) {
			b.server.DisconnectClient(cl, packets.ErrServerShuttingDown)
		}
	})
	return b.close()
}

// clients returns those that came by the listener.
func (b *Broker) clients(listener string) []*mqtt.Client {
	var clients []*mqtt.Client
	for _, cl := range b.server.Clients.GetAll() {
		if cl.Net.Listener == listener && !cl.Closed() {
			clients = append(clients, cl)
		}
	}
	return clients
}

// SetUsers replaces the users, and ends the connections of those who are gone,
// have another password or another role. It is for a broker that has users.
func (b *Broker) SetUsers(u *Users) {
	old := b.hook.users.Swap(u)
	if old == nil || u == nil {
		panic("broker: SetUsers wants users before and after")
	}
	for _, cl := range b.clients(listenerID) {
		was, is := old.byName[string(cl.Properties.Username)], u.byName[string(cl.Properties.Username)]
		if !bytes.Equal(was.hash, is.hash) || was.node != is.node {
			cl.Net.Conn.SetDeadline(time.Now().Add(closeTimeout))
			b.server.DisconnectClient(cl, packets.ErrNotAuthorized)
		}
	}
}

// Probe connects to the broker as a client would and returns an error where it
// gets no answer.
func (b *Broker) Probe(ctx context.Context) error {
	u, err := url.Parse(b.url)
	if err != nil {
		return err
	}
	host, port, _ := net.SplitHostPort(u.Host)
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		host = "localhost"
	}
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", net.JoinHostPort(host, port))
	if err != nil {
		return fmt.Errorf("the broker cannot be reached: %w", err)
	}
	defer conn.Close()
	if deadline, ok := ctx.Deadline(); ok {
		conn.SetDeadline(deadline)
	}
	// Nothing that MQTT or TLS begins with: whoever reads it answers or hangs up.
	_, err = conn.Write([]byte("\x00\x00\r\n\r\n"))
	if err == nil {
		_, err = conn.Read(make([]byte, 1))
	}
	var timeout net.Error
	if errors.As(err, &timeout) && timeout.Timeout() {
		return fmt.Errorf("the broker does not answer: %w", err)
	}
	return nil
}

// nodeTopic reports whether topic is <prefix>/<dwelling>/<node>/senml or
// …/presence, and returns its <dwelling>/<node>.
func nodeTopic(prefix, topic string) (node string, ok bool) {
	rest, ok := strings.CutPrefix(topic, prefix+"/")
	if !ok {
		return "", false
	}
	node, ok = strings.CutSuffix(rest, "/senml")
	if !ok {
		node, ok = strings.CutSuffix(rest, "/presence")
	}
	return node, ok && strings.Count(node, "/") == 1
}
