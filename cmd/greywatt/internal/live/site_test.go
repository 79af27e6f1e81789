package live

import (
	"context"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"greywatt"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/ingest"
	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

// A site is a logger with its own broker and its page, as greywatt run puts
// them together.
type site struct {
	*Page
	url       string // of the page
	store     *store.Store
	broker    *broker.Broker
	committer *mqttsource.Committer
	server    *httptest.Server
}

// siteLog commits to the store and shows the page what it has committed.
type siteLog struct {
	*store.Store
	page *Page
}

func (l *siteLog) Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error) {
	start := time.Now()
	counts, err := l.Store.Append(ctx, rs)
	if err == nil && l.page != nil {
		l.page.Committed(rs, time.Since(start))
	}
	return counts, err
}

// newSite starts a site, without a page where shown is false. Its store holds
// frames of the first dwelling already.
func newSite(t testing.TB, study *greywatt.Study, shown bool, frames ...greywatt.Frame) *site {
	t.Helper()
	s := &site{store: openStore(t)}
	if len(frames) > 0 {
		commit(t, s.store, study.Dwellings[0].ID, frames)
	}
	log := &siteLog{Store: s.store}
	s.committer = mqttsource.NewCommitter(mqttsource.CommitterConfig{Prefix: payload.DefaultPrefix, Resolver: payload.NewResolver(study), Log: log})
	var err error
	if s.broker, err = broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: payload.DefaultPrefix, Sink: s.committer}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	committed, paged := make(chan error, 1), make(chan struct{})
	if shown {
		s.Page = New(Config{
			Study: study, Log: s.store, Rejected: s.store, Ingest: s.committer.Status, Version: "test",
			Link: func() Link {
				b := s.broker.Status()
				return Link{Where: b.URL, Topics: payload.DefaultPrefix + "/<dwelling>/<node>/senml", Connected: true, Clients: b.Clients}
			},
		})
		log.page = s.Page
		s.server = httptest.NewServer(s.Handler())
		s.url = s.server.URL
	}
	go func() { committed <- s.committer.Run(ctx) }()
	go func() {
		defer close(paged)
		if shown {
			var work sync.WaitGroup
			work.Go(func() { s.Run(ctx) })
			work.Go(func() { watching(s.Page, s.store).Run(ctx) })
			work.Wait()
		}
	}()
	t.Cleanup(func() {
		cancel()
		<-paged
		if err := <-committed; err != nil {
			t.Error(err)
		}
		if err := s.broker.Close(); err != nil {
			t.Error(err)
		}
		if shown {
			s.server.CloseClientConnections()
			s.server.Close()
		}
	})
	return s
}

// A testNode publishes what a node of a dwelling measures.
type testNode struct {
	t      testing.TB
	client mqtt.Client
	topic  payload.Topic
}

const nodeTimeout = 20 * time.Second

func (s *site) node(t testing.TB, dwelling, name string) *testNode {
	t.Helper()
	n := &testNode{t: t, topic: payload.Topic{Dwelling: dwelling, Node: name, Kind: payload.Presence}}
	options := mqtt.NewClientOptions().AddBroker(s.broker.URL()).SetClientID(dwelling+"-"+name).
		SetAutoReconnect(false).SetWill(n.topic.In(payload.DefaultPrefix), "down", 1, true)
	n.client = mqtt.NewClient(options)
	n.await(n.client.Connect())
	n.await(n.client.Publish(n.topic.In(payload.DefaultPrefix), 1, true, "up"))
	n.topic.Kind = payload.SenML
	t.Cleanup(func() { n.client.Disconnect(1000) })
	return n
}

func (n *testNode) await(token mqtt.Token) {
	n.t.Helper()
	if !token.WaitTimeout(nodeTimeout) || token.Error() != nil {
		n.t.Fatalf("node %s: %v", n.topic.Node, token.Error())
	}
}

// publish sends frames in one pack.
func (n *testNode) publish(frames ...greywatt.Frame) mqtt.Token {
	n.t.Helper()
	var rs []greywatt.Reading
	for i := range frames {
		rs = framefile.AppendReadings(rs, n.topic.Dwelling, &frames[i])
	}
	pack, err := payload.EncodeJSON(nil, rs)
	if err != nil {
		n.t.Fatal(err)
	}
	return n.client.Publish(n.topic.In(payload.DefaultPrefix), 1, false, pack)
}

// history sends frames in packs and waits until all are on disk.
func (n *testNode) history(frames []greywatt.Frame) {
	n.t.Helper()
	var tokens []mqtt.Token
	for len(frames) > 0 {
		k := min(60, len(frames))
		tokens = append(tokens, n.publish(frames[:k]...))
		frames = frames[k:]
	}
	for _, token := range tokens {
		n.await(token)
	}
}
