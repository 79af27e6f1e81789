package mqttsource

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"greywatt/ingest/payload"
	"greywatt/ingest/retry"
)

// A Config says how to subscribe to an external broker.
type Config struct {
	Broker   string   // URL: tcp, tls, ws or wss, as in tls://broker.example:8883
	ClientID string   // the same at every start: the broker keeps the session under it
	Group    string   // share of a shared subscription; empty: every logger gets every message
	Prefix   string   // of the topics; see [payload.CheckPrefix]
	Topics   []string // filters of other topics, which the committer's Foreign decodes
	User     string   // empty: anonymous
	Password string
	TLS      *tls.Config // nil: the system's certificate authorities, where the URL asks for TLS

	KeepAlive time.Duration // whole seconds; 30 s if 0
	Timeout   time.Duration // for connecting, subscribing and each write; 15 s if 0

	Logger *slog.Logger // nil: none

	overhears bool // the broker is to keep no session
}

// Reconnecting waits between these, growing and at random; the client library's
// own cap is ten minutes, too long for a logger.
const (
	leastReconnect = 1 * time.Second
	mostReconnect  = 60 * time.Second
	// steadyAfter is how long a connection must last to count as a good one.
	steadyAfter = 30 * time.Second
)

// A Source subscribes to an external broker for a [Committer].
type Source struct {
	cfg     Config
	url     *url.URL
	filters []string
	to      *Committer
	dial    func() client // a new one for each connection

	mu     sync.Mutex
	status LinkStatus
	drops  dropCounter

	noDrops bool // asked for its count of dropped messages, the broker ends the connection
}

// A LinkStatus says how the connection to the broker fares.
type LinkStatus struct {
	Broker       string
	Connected    bool
	Since        time.Time // of the connection, or of its loss
	Connects     int64     // times connected and subscribed
	Failures     int64     // connections lost or not made since the last of those
	NextAttempt  time.Time // zero while connected
	Held         bool      // connected, but taking nothing until what is held is stored
	SessionsLost int64     // reconnections at which the broker had not kept the session
	LeftUnacked  int64     // messages left for the broker to send again, as too much was waiting
	Dropped      int64     // the same with QoS 0, which is not sent again

	BrokerDropped int64 // messages, to any of its clients, that the broker says it has dropped; 0 where it does not say

	LastError   string
	LastErrorAt time.Time
}

// New checks the configuration and returns a Source; it does not dial. All
// faults are reported at once.
func New(cfg Config, to *Committer) (*Source, error) {
	cfg.KeepAlive = cmp.Or(cfg.KeepAlive, 30*time.Second)
	cfg.Timeout = cmp.Or(cfg.Timeout, 15*time.Second)
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	u, err := parseBroker(cfg.Broker)
	errs := []error{err, payload.CheckPrefix(cfg.Prefix)}
	if cfg.ClientID == "" || len(cfg.ClientID) > 256 {
		errs = append(errs, fmt.Errorf("client id %q: want 1 to 256 characters, the same at every start", cfg.ClientID))
	}
	if strings.ContainsAny(cfg.Group, "/+#") {
		errs = append(errs, fmt.Errorf("share group %q: want a name without / + #", cfg.Group))
	}
	if cfg.User == "" && cfg.Password != "" {
		errs = append(errs, errors.New("a password without a user: name the user too"))
	}
	if u != nil && cfg.TLS != nil && !secure(u) {
		errs = append(errs, fmt.Errorf("broker %q: certificates are given, and the URL does not ask for TLS; want tls:// or wss://", cfg.Broker))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	s := &Source{cfg: cfg, url: u, to: to, status: LinkStatus{Broker: u.Redacted()}}
	filters := append([]string{payload.SenML.Filter(cfg.Prefix), payload.Presence.Filter(cfg.Prefix)}, cfg.Topics...)
	for _, f := range filters {
		if cfg.Group != "" {
			f = "$share/" + cfg.Group + "/" + f
		}
		s.filters = append(s.filters, f)
	}
	s.dial = func() client { return newPaho(cfg, u) }
	return s, nil
}

// schemes maps what may be written to what the client library wants, and the
// port that is meant where none is given.
var schemes = map[string]struct{ scheme, port string }{
	"tcp": {"tcp", "1883"}, "mqtt": {"tcp", "1883"},
	"tls": {"tls", "8883"}, "ssl": {"tls", "8883"}, "mqtts": {"tls", "8883"},
	"ws": {"ws", "80"}, "wss": {"wss", "443"},
}

func secure(u *url.URL) bool { return u.Scheme == "tls" || u.Scheme == "wss" }

// parseBroker checks a broker's URL here, as the client library logs and drops
// one that it cannot parse.
func parseBroker(s string) (*url.URL, error) {
	const want = "want a URL as in tcp://HOST:1883 or tls://HOST:8883"
	u, err := url.Parse(s)
	if err != nil {
		// The error would quote the URL, and with it a password.
		return nil, fmt.Errorf("broker address cannot be read as a URL: %s", want)
	}
	kind, ok := schemes[u.Scheme]
	switch {
	case !ok:
		return nil, fmt.Errorf("broker %q: %s", u.Redacted(), want)
	case u.Hostname() == "":
		return nil, fmt.Errorf("broker %q names no host: %s", u.Redacted(), want)
	case u.User != nil:
		return nil, fmt.Errorf("broker %q: user and password do not belong in the URL, which others can see; give them by file or environment", u.Redacted())
	case kind.scheme != "ws" && kind.scheme != "wss" && strings.Trim(u.Path, "/") != "", u.RawQuery != "", u.Fragment != "":
		return nil, fmt.Errorf("broker %q has something after the host: %s", u.Redacted(), want)
	}
	u.Scheme = kind.scheme
	if u.Port() == "" {
		u.Host += ":" + kind.port
	}
	return u, nil
}

// Status returns a copy of the connection's status.
func (s *Source) Status() LinkStatus {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}

// Run keeps a connection to the broker and offers what comes to the committer,
// until ctx ends. Then it takes no more, waits until the committer has stored
// what it holds, for as long as its draining time, disconnects and returns nil.
// It does not end for any fault of the broker or the network: it tries for ever
// and [Source.Status] says why.
func (s *Source) Run(ctx context.Context) error {
	backoff := retry.Backoff{Least: leastReconnect, Most: mostReconnect}
	short := 0 // connections in a row that the broker soon ended
	for {
		lasted, err := s.connection(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, errHeld):
			backoff.Reset()
			continue
		case lasted >= steadyAfter:
			backoff.Reset()
			short = 0
		case lasted > 0:
			if short++; short >= 3 {
				err = fmt.Errorf("%w (%d times in a row soon after connecting: does another logger use the client id %q?)", err, short, s.cfg.ClientID)
			}
		}
		wait := backoff.Step()
		s.lost(err, wait)
		if !retry.Sleep(ctx, wait) {
			return nil
		}
	}
}

// errHeld ends a connection so that the broker sends again what was left.
var errHeld = errors.New("reconnecting for what was left with the broker")

// connection makes one connection and serves it to its end. It returns how
// long it was good, 0 if never.
func (s *Source) connection(ctx context.Context) (lasted time.Duration, err error) {
	l := &link{to: s.to, full: make(chan struct{}), clock: make(chan struct{})}
	c := s.dial()
	defer c.close()
	defer l.stop() // before close: nothing is taken that could no longer be acknowledged
	lost, err := c.connect(ctx, func(m message) {
		if m.Topic() == dropsTopic {
			s.brokerDropped(string(m.Payload()))
			m.Ack()
			return
		}
		l.take(m)
	})
	if err != nil {
		return 0, err
	}
	if err := c.subscribe(ctx, s.filters); err != nil {
		return 0, err
	}
	start := time.Now()
	s.connected(c.resumed())
	defer func() { s.ended(l); lasted = time.Since(start) }()
	var answered <-chan struct{}
	if !s.noDrops {
		answered = c.wish(dropsTopic)
	}

	serving, stop := context.WithCancel(ctx)
	defer stop()
	full, stored := l.full, make(chan struct{})
	for {
		select {
		case err := <-lost:
			select {
			case <-answered:
			default:
				s.noDrops = answered != nil
			}
			return 0, err
		case <-answered:
			answered = nil
		case <-full:
			full = nil
			s.setHeld()
			go func() {
				if s.to.empty(serving) {
					close(stored)
				}
			}()
		case <-stored:
			return 0, errHeld
		case <-l.clock:
			return 0, ErrClock // the broker sends it again on a later connection
		case <-ctx.Done():
			l.stop()
			drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.to.cfg.DrainTime)
			defer cancel()
			s.to.empty(drain)
			return 0, nil
		}
	}
}

func (s *Source) connected(resumed bool) {
	s.mu.Lock()
	lost := s.status.Connects > 0 && !resumed
	if lost {
		s.status.SessionsLost++
	}
	s.status.Connected, s.status.Since = true, time.Now()
	s.status.Connects++
	s.status.Failures, s.status.NextAttempt = 0, time.Time{}
	s.mu.Unlock()
	if lost {
		s.cfg.Logger.Warn("the broker did not keep the session: what nodes published meanwhile, and it acknowledged, is lost; see greywatt help run for its settings", "broker", s.status.Broker)
	}
	s.cfg.Logger.Info("subscribed", "broker", s.status.Broker, "topics", slices.Clone(s.filters))
}

func (s *Source) setHeld() {
	s.mu.Lock()
	s.status.Held = true
	s.mu.Unlock()
	s.cfg.Logger.Warn("too much is waiting to be stored; what comes stays with the broker until it is")
}

func (s *Source) ended(l *link) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.status.Connected, s.status.Held, s.status.Since = false, false, time.Now()
	unacked, dropped := l.leftOver()
	s.status.LeftUnacked += unacked
	s.status.Dropped += dropped
}

func (s *Source) lost(err error, wait time.Duration) {
	s.mu.Lock()
	s.status.LastError, s.status.LastErrorAt = err.Error(), time.Now()
	s.status.Failures++
	s.status.NextAttempt = s.status.LastErrorAt.Add(wait)
	s.mu.Unlock()
	s.cfg.Logger.Warn("no connection to the broker", "broker", s.status.Broker, "error", err, "next_attempt_in", wait.Round(time.Millisecond))
}

// A link takes the messages of one connection. It never blocks for longer than
// the committer's OfferWait: the client library answers no pings meanwhile.
// Once the committer is full it takes nothing more and leaves it unacknowledged
// with the broker, which sends it again on the next connection.
type link struct {
	to *Committer

	mu       sync.Mutex
	stopped  bool
	refusing bool          // since the committer first turned a message away
	full     chan struct{} // closed then
	clock    chan struct{} // closed when it turned one away for the own clock
	unacked  int64
	dropped  int64
}

// take is called for one message after another, in their order.
func (l *link) take(m message) {
	l.mu.Lock()
	reject := l.stopped || l.refusing
	l.mu.Unlock()
	var err error
	if !reject {
		if err = l.to.offer(m.Topic(), m.Payload(), m.Ack, m.Retained()); err == nil {
			return
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if m.Qos() == 0 {
		l.dropped++
	} else {
		l.unacked++
	}
	switch {
	case errors.Is(err, ErrFull):
		l.refusing = true
		close(l.full)
	case errors.Is(err, ErrClock):
		l.refusing = true
		close(l.clock)
	} // what the quarantine has no room for stays with the broker; the rest is taken
}

func (l *link) stop() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.stopped = true
}

func (l *link) leftOver() (unacked, dropped int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.unacked, l.dropped
}
