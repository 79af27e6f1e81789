package mqttsource_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/nats-io/nats-server/v2/server"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/broker"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

const prefix = "street/pilot"

// A site is a broker, and how a logger is attached to it.
type site struct {
	url   string // where nodes publish
	start func(t testing.TB, cfg mqttsource.CommitterConfig) *logger
	// restart restarts the broker and nothing else; nil where broker and logger
	// are one, or the broker keeps nothing.
	restart func(t testing.TB)
}

// A logger takes messages from a site's broker into a log.
type logger struct {
	committer *mqttsource.Committer
	source    *mqttsource.Source // nil with the embedded broker
	stop      func()             // as on SIGTERM; may be called again
}

// eachSite runs a test with the named kinds of site, or with all: the embedded
// broker, as greywatt uses it by default, and others, to which greywatt subscribes.
func eachSite(t *testing.T, test func(t *testing.T, s *site), only ...string) {
	for _, kind := range []struct {
		name string
		site func(testing.TB) *site
	}{
		{"embedded", embeddedSite}, {"mochi", mochiSite}, {"nats", natsSite}, {"mosquitto", mosquittoSite},
	} {
		if len(only) > 0 && !slices.Contains(only, kind.name) {
			continue
		}
		if kind.name == "mosquitto" {
			if _, err := exec.LookPath("mosquitto"); err != nil {
				t.Log("mosquitto is not on the PATH: not tested against it")
				continue
			}
		}
		t.Run(kind.name, func(t *testing.T) { t.Parallel(); test(t, kind.site(t)) })
	}
}

// keepAlive is of the loggers that subscribe: short, so that silence tells within a
// test, and long beside what a busy machine lets a process wait.
const keepAlive = 4 * time.Second

// embeddedSite is the broker that hands messages to the committer itself. It
// comes and goes with the logger, at the same address.
func embeddedSite(t testing.TB) *site {
	s := &site{url: "tcp://" + ingesttest.FreeAddr(t)}
	s.start = func(t testing.TB, cfg mqttsource.CommitterConfig) *logger {
		t.Helper()
		l := newLogger(t, cfg)
		b, err := broker.Listen(broker.Config{Addr: strings.TrimPrefix(s.url, "tcp://"), Prefix: prefix, Sink: l.committer})
		if err != nil {
			t.Fatal(err)
		}
		l.run(t, nil, func() {
			if err := b.Close(); err != nil {
				t.Errorf("close broker: %v", err)
			}
		})
		return l
	}
	return s
}

// mochiSite is the library of greywatt's broker as an ordinary broker: it keeps
// sessions and acknowledges at once.
func mochiSite(t testing.TB) *site {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumInflight, caps.MaximumClientWritesPending, caps.MaximumMessageExpiryInterval = 1024, 1024, 0
	srv := mqtt.New(&mqtt.Options{Capabilities: caps, Logger: slog.New(slog.DiscardHandler)})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err == nil {
		err = errors.Join(srv.AddHook(&openHook{ids: map[*mqtt.Client]uint16{}}, nil), srv.AddListener(listeners.NewNet("any", l)), srv.Serve())
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		l.Close()
		for _, cl := range srv.Clients.GetAll() {
			cl.Stop(packets.ErrServerShuttingDown)
		}
		srv.Close()
	})
	url := "tcp://" + l.Addr().String()
	return &site{url: url, start: subscriber(url, mqttsource.Config{KeepAlive: keepAlive})}
}

// openHook lets anyone do anything. The server takes a SUBSCRIBE's packet id for
// one of its own messages under way to the client, and then refuses the
// subscription: it is shown the id 0, which no message has.
type openHook struct {
	mqtt.HookBase
	mu  sync.Mutex
	ids map[*mqtt.Client]uint16
}

func (h *openHook) ID() string { return "open" }
func (h *openHook) Provides(b byte) bool {
	return b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck || b == mqtt.OnSubscribe || b == mqtt.OnPacketEncode
}
func (h *openHook) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }
func (h *openHook) OnACLCheck(*mqtt.Client, string, bool) bool              { return true }
func (h *openHook) OnSubscribe(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ids[cl], pk.PacketID = pk.PacketID, 0
	return pk
}
func (h *openHook) OnPacketEncode(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	if pk.FixedHeader.Type == packets.Suback && pk.PacketID == 0 {
		h.mu.Lock()
		defer h.mu.Unlock()
		pk.PacketID = h.ids[cl]
	}
	return pk
}

type refusing struct{}

func (refusing) Offer(string, []byte, func()) error { return errors.New("not for me") }

// natsSite is a NATS server with its MQTT listener, storing in files.
func natsSite(t testing.TB) *site {
	addr := ingesttest.FreeAddr(t)
	dir := t.TempDir()
	var srv *server.Server
	up := func(t testing.TB) {
		t.Helper()
		host, port, _ := net.SplitHostPort(addr)
		o := &server.Options{
			ServerName: "nats", Host: "127.0.0.1", Port: server.RANDOM_PORT, NoLog: true, NoSigs: true,
			JetStream: true, StoreDir: dir,
		}
		o.MQTT.AckWait = 2 * time.Second // after which it sends again, reconnected or not; its default is 30 s
		o.MQTT.Host = host
		fmt.Sscan(port, &o.MQTT.Port)
		var err error
		if srv, err = server.NewServer(o); err != nil {
			t.Fatal(err)
		}
		go srv.Start()
		if !srv.ReadyForConnections(20 * time.Second) {
			t.Fatal("the NATS server does not start")
		}
	}
	down := func() {
		srv.Shutdown()
		srv.WaitForShutdown()
	}
	up(t)
	t.Cleanup(func() { down() })
	url := "tcp://" + addr
	return &site{url: url, start: subscriber(url, mqttsource.Config{KeepAlive: keepAlive}), restart: func(t testing.TB) { down(); up(t) }}
}

// mosquittoSite is a mosquitto process with the settings that help run names.
func mosquittoSite(t testing.TB) *site {
	return mosquittoWith(t, "persistence true", "max_queued_messages 0", "max_inflight_messages 1000")
}

// mosquittoWith is a mosquitto process with these lines in its settings.
func mosquittoWith(t testing.TB, settings ...string) *site {
	addr := ingesttest.FreeAddr(t)
	host, port, _ := net.SplitHostPort(addr)
	dir := t.TempDir()
	conf := filepath.Join(dir, "mosquitto.conf")
	// Started by root it would become another user, who may not write here.
	text := fmt.Sprintf("user root\nlistener %s %s\nallow_anonymous true\npersistence_location %s/\n%s\n", port, host, dir, strings.Join(settings, "\n"))
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var cmd *exec.Cmd
	up := func(t testing.TB) {
		t.Helper()
		cmd = exec.Command("mosquitto", "-c", conf)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		for deadline := time.Now().Add(20 * time.Second); ; {
			n, err := dialNode("tcp://"+addr, "probe", 1)
			if err == nil {
				n.close()
				return
			}
			if time.Now().After(deadline) {
				t.Fatalf("mosquitto does not start: %v", err)
			}
			pause(20 * time.Millisecond)
		}
	}
	down := func() {
		cmd.Process.Signal(os.Interrupt)
		cmd.Wait()
	}
	up(t)
	t.Cleanup(func() { down() })
	url := "tcp://" + addr
	return &site{url: url, start: subscriber(url, mqttsource.Config{KeepAlive: keepAlive}), restart: func(t testing.TB) { down(); up(t) }}
}

// subscriber returns the start of a logger that subscribes to the broker at url.
func subscriber(url string, cfg mqttsource.Config) func(testing.TB, mqttsource.CommitterConfig) *logger {
	if cfg.ClientID == "" {
		cfg.ClientID = "logger"
	}
	cfg.Broker, cfg.Prefix = url, prefix
	return func(t testing.TB, ccfg mqttsource.CommitterConfig) *logger {
		t.Helper()
		l := newLogger(t, ccfg)
		src, err := mqttsource.New(cfg, l.committer)
		if err != nil {
			t.Fatal(err)
		}
		l.source = src
		l.run(t, src.Run, func() {})
		return l
	}
}

func newLogger(t testing.TB, cfg mqttsource.CommitterConfig) *logger {
	cfg.Prefix = prefix
	return &logger{committer: mqttsource.NewCommitter(cfg)}
}

// run starts the parts and sets stop.
func (l *logger) run(t testing.TB, source func(context.Context) error, closed func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	for _, f := range []func(context.Context) error{l.committer.Run, source} {
		if f == nil {
			continue
		}
		wg.Go(func() {
			if err := f(ctx); err != nil {
				t.Errorf("Run: %v", err)
			}
		})
	}
	l.stop = sync.OnceFunc(func() {
		cancel()
		wg.Wait()
		closed()
	})
	t.Cleanup(l.stop)
}

// A testLog is the real store, which a test can make fail and wait for.
type testLog struct {
	*store.Store
	full atomic.Bool
	slow chan struct{} // where not nil, Append waits until it is closed

	ingesttest.Tally
}

func openLog(t testing.TB, dir string) *testLog {
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return &testLog{Store: s}
}

func (l *testLog) check() error {
	if l.full.Load() {
		l.Saw(func(s *ingesttest.Seen) { s.Failures++ })
		return store.ErrFull
	}
	return nil
}

func (l *testLog) Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error) {
	if err := l.check(); err != nil {
		return ingest.Counts{}, err
	}
	if l.slow != nil {
		l.Saw(func(s *ingesttest.Seen) { s.Waiting = true })
		select {
		case <-l.slow:
		case <-ctx.Done():
			return ingest.Counts{}, ctx.Err()
		}
	}
	n, err := l.Store.Append(ctx, rs)
	l.Add(n)
	return n, err
}

func (l *testLog) AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error {
	if err := l.check(); err != nil {
		return err
	}
	return l.Store.AppendRejected(ctx, rs)
}

func (l *testLog) SetPresences(ctx context.Context, ps []ingest.Presence) error {
	if err := l.check(); err != nil {
		return err
	}
	return l.Store.SetPresences(ctx, ps)
}

// stored returns all readings in the store.
func (l *testLog) stored(t testing.TB) map[greywatt.Reading]bool {
	t.Helper()
	dwellings, err := l.Dwellings(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return ingesttest.Readings(t, l.Store, dwellings...)
}

// pack returns the seq-th pack of a node: n readings of two channels, and the
// readings it stands for.
func pack(dwelling, name string, seq, n int) (parcel, []greywatt.Reading) {
	const epoch = 1_700_000_000
	var b strings.Builder
	rs := make([]greywatt.Reading, 0, n)
	fmt.Fprintf(&b, `[{"bt":%d}`, epoch)
	for i := range n {
		k := seq*n + i
		c, unit := greywatt.WasteIn, "Cel"
		if i%2 == 1 {
			c, unit = greywatt.Flow, "l/s"
		}
		v := float64(k%4000) / 1000
		fmt.Fprintf(&b, `,{"n":"%s","u":"%s","t":%d,"v":%g}`, c, unit, k/2, v)
		rs = append(rs, greywatt.Reading{Dwelling: dwelling, Node: name, Channel: c, At: greywatt.InstantOfUnix(epoch + float64(k/2)), Value: v})
	}
	b.WriteByte(']')
	return parcel{topic: prefix + "/" + dwelling + "/" + name + "/senml", body: []byte(b.String())}, rs
}
