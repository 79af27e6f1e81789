package mqttsource_test

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/mqttsource"
)

// Everything that nodes publish is stored once, through a restart of the
// logger, with messages among them that come twice or cannot be used.
func TestIngest(t *testing.T) {
	eachSite(t, func(t *testing.T, s *site) {
		log := openLog(t, t.TempDir())
		cfg := mqttsource.CommitterConfig{Log: log, GroupDelay: 20 * time.Millisecond, OwnNames: true}
		l := s.start(t, cfg)
		awaitSubscribed(t, l)

		const nodes, packs, perPack = 4, 60, 20
		want := make(map[greywatt.Reading]bool)
		var wg sync.WaitGroup
		for i := range nodes {
			dwelling, name := "larch-"+fmt.Sprint(i/2), "n"+fmt.Sprint(i%2)
			presence := prefix + "/" + dwelling + "/" + name + "/presence"
			parcels := []parcel{{presence, []byte("up"), true}, {presence, []byte("dozing"), false}}
			for seq := range packs {
				p, rs := pack(dwelling, name, seq, perPack)
				for _, r := range rs {
					want[r] = true
				}
				parcels = append(parcels, p)
				switch seq % 20 {
				case 3:
					parcels = append(parcels, p) // twice
				case 7:
					p.body = []byte("poison")
					parcels = append(parcels, p)
				case 11:
					p.body = []byte(`[{"n":"elm-01/n9/flow","u":"l/s","t":1700000000,"v":0.1}]`) // not its own name
					parcels = append(parcels, p)
				}
			}
			wg.Go(func() {
				if err := deliver(s.url, "node-"+fmt.Sprint(i), 10, parcels, time.Now().Add(time.Minute), nil); err != nil {
					t.Error(err)
				}
			})
		}
		log.Await(t, "in the middle", func(s ingesttest.Seen) bool { return s.New > nodes*packs*perPack/3 })
		l.stop()
		l = s.start(t, cfg)
		wg.Wait()
		log.Await(t, "all stored", func(s ingesttest.Seen) bool { return s.New == len(want) })
		l.stop() // after which all that came is committed

		ingesttest.Compare(t, log.stored(t), want)
		presences, err := log.Presences(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		up := 0
		for _, p := range presences {
			if p.Up {
				up++
			}
		}
		if up != nodes || len(presences) != nodes {
			t.Errorf("presences %+v, want %d nodes up", presences, nodes)
		}
		counts, err := log.RejectedCounts(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		rejected := make(map[ingest.Reason]int)
		for _, c := range counts {
			rejected[c.Reason] += int(c.N)
		}
		// The same refusal from the same topic counts once, however often it came.
		if rejected[ingest.BadPayload] != 2*nodes || rejected[ingest.WrongTopic] != nodes {
			t.Errorf("refused %v, want for each node its poison, its bad presence and its alien name", rejected)
		}
		if seen := log.Seen(); seen.Duplicate < nodes*3*perPack || seen.Conflict != 0 {
			t.Errorf("counts %+v, want at least the packs sent twice as duplicates, and no conflict", seen.Counts)
		}
	})
}

// awaitSubscribed waits until a logger on an external broker has its session.
func awaitSubscribed(t *testing.T, l *logger) {
	t.Helper()
	if l.source != nil {
		awaitStatus(t, l, "subscribed", func(st mqttsource.LinkStatus) bool { return st.Connected })
	}
}

func awaitStatus(t *testing.T, l *logger, what string, cond func(mqttsource.LinkStatus) bool) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); !cond(l.source.Status()); pause(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("after half a minute: not yet %s; status %+v", what, l.source.Status())
		}
	}
}

// While the log refuses, nothing is acknowledged; then it goes on by itself.
func TestCommitFailureThenRecovery(t *testing.T) {
	eachSite(t, func(t *testing.T, s *site) {
		log := openLog(t, t.TempDir())
		l := s.start(t, mqttsource.CommitterConfig{Log: log, GroupDelay: 10 * time.Millisecond})
		awaitSubscribed(t, l)
		log.full.Store(true)

		want := make(map[greywatt.Reading]bool)
		var parcels []parcel
		for seq := range 30 {
			p, rs := pack("larch-04", "n1", seq, 20)
			parcels = append(parcels, p)
			for _, r := range rs {
				want[r] = true
			}
		}
		parcels = append(parcels, parcel{topic: parcels[0].topic, body: []byte("poison")})
		var mu sync.Mutex
		acked := 0
		sent := make(chan error)
		go func() {
			sent <- deliver(s.url, "n1", 10, parcels, time.Now().Add(time.Minute), func(int) {
				mu.Lock()
				defer mu.Unlock()
				acked++
			})
		}()
		log.Await(t, "failed three times", func(s ingesttest.Seen) bool { return s.Failures >= 3 })
		mu.Lock()
		if l.source == nil && acked > 0 {
			t.Errorf("%d messages acknowledged to the node while the log refused them", acked)
		}
		mu.Unlock()
		if st := l.committer.Status(); st.New != 0 || st.Held == 0 || st.FailingSince.IsZero() {
			t.Errorf("status %+v, want nothing stored, something held, and failing", st)
		}
		if n := len(log.stored(t)); n != 0 {
			t.Errorf("%d readings stored", n)
		}
		log.full.Store(false)
		if err := <-sent; err != nil {
			t.Error(err)
		}
		log.Await(t, "all stored", func(s ingesttest.Seen) bool { return s.New == len(want) })
		l.stop()
		ingesttest.Compare(t, log.stored(t), want)
		if st := l.committer.Status(); !st.FailingSince.IsZero() || st.Rejected[ingest.BadPayload] == 0 {
			t.Errorf("status %+v, want it well again and the poison set aside", st)
		}
	})
}

// A flood while nothing can be stored fills the bound and no more, keeps the
// connection to an external broker, and loses nothing.
func TestFloodWhileStuck(t *testing.T) {
	eachSite(t, func(t *testing.T, s *site) {
		log := openLog(t, t.TempDir())
		log.slow = make(chan struct{})
		l := s.start(t, mqttsource.CommitterConfig{
			Log: log, GroupDelay: 10 * time.Millisecond, MaxMessages: 15, OfferWait: 100 * time.Millisecond, // 15: some brokers send only 20 at a time
		})
		awaitSubscribed(t, l)
		f := newFleet("larch-04", 3, 100, 10)
		f.publish(t, s.url, 100)
		log.Await(t, "stuck", func(s ingesttest.Seen) bool { return s.Waiting })
		// Longer than one and a half keepalives, after which a broker cuts off who says nothing (MQTT 3.1.1 section 3.1.2.10, from memory).
		pause(keepAlive * 13 / 8)
		if st := l.committer.Status(); st.Held != 15 || st.TurnedAway == 0 {
			t.Errorf("%d messages held and %d turned away, want the bound of 15 and some", st.Held, st.TurnedAway)
		}
		if l.source != nil {
			if st := l.source.Status(); !st.Connected || st.Connects != 1 || !st.Held {
				t.Errorf("status %+v, want the one connection kept while stuck", st)
			}
		}
		close(log.slow)
		f.wg.Wait()
		log.Await(t, "all stored", func(s ingesttest.Seen) bool { return s.New == len(f.all) })
		l.stop()
		ingesttest.Compare(t, log.stored(t), f.all)
	})
}

// However much comes while nothing can be stored, memory stays bounded.
func TestFloodMemory(t *testing.T) {
	const limit = 384 << 20 // the committer's 48 MiB, the broker's 80, what is under way beside them
	s := embeddedSite(t)
	log := openLog(t, t.TempDir())
	log.slow = make(chan struct{})
	l := s.start(t, mqttsource.CommitterConfig{Log: log, OfferWait: 50 * time.Millisecond, DrainTime: 2 * time.Minute})
	p, _ := pack("larch-04", "n1", 0, 20_000)
	flood := p.frame() // once, so that the memory is not the nodes'
	var sent atomic.Int64
	var measured atomic.Bool // memory is: nobody sends more
	var wg sync.WaitGroup
	ctx, stop := context.WithCancel(t.Context())
	for i := range 100 {
		wg.Go(func() {
			for ctx.Err() == nil {
				n, err := dialNode(s.url, fmt.Sprintf("n%d", i), 8)
				if err != nil {
					t.Error(err)
					return
				}
				for err == nil && ctx.Err() == nil {
					for measured.Load() {
						pause(5 * time.Millisecond)
					}
					_, err = n.conn.Write(flood)
					sent.Add(int64(len(flood)))
				}
				n.close()
			}
		})
	}
	var most uint64
	for begin := time.Now(); sent.Load() < 4*limit && time.Since(begin) < time.Minute; {
		pause(500 * time.Millisecond)
		measured.Store(true)            // how far garbage grows in a flood depends on who else has the processors: what counts is what is held
		least := uint64(math.MaxUint64) // what was under way may be garbage only at the next look
		for range 3 {
			pause(100 * time.Millisecond)
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			least = min(least, m.HeapAlloc)
		}
		measured.Store(false)
		most = max(most, least)
	}
	stop()
	close(log.slow)
	l.stop()
	wg.Wait()
	t.Logf("%d MiB sent, %d MiB of heap at most", sent.Load()>>20, most>>20)
	if most > limit || sent.Load() < limit {
		t.Errorf("%d MiB of heap for %d MiB sent, want at most %d for more than that", most>>20, sent.Load()>>20, limit>>20)
	}
}

// The connection breaks while nothing can be stored: it is made again, and what
// was under way on the old one comes on the new and counts once.
func TestReconnectWhileStuck(t *testing.T) {
	eachSite(t, func(t *testing.T, s *site) {
		link := newProxy(t, s.url)
		log := openLog(t, t.TempDir())
		log.slow = make(chan struct{})
		l := subscriber(link.url, mqttsource.Config{KeepAlive: 2 * time.Second})(t, mqttsource.CommitterConfig{
			Log: log, GroupDelay: 10 * time.Millisecond, MaxMessages: 15, OfferWait: 100 * time.Millisecond,
		})
		awaitSubscribed(t, l)
		f := newFleet("larch-04", 3, 100, 10)
		f.publish(t, s.url, 100)
		log.Await(t, "stuck", func(s ingesttest.Seen) bool { return s.Waiting })
		link.cut()
		awaitStatus(t, l, "a second connection", func(st mqttsource.LinkStatus) bool { return st.Connected && st.Connects >= 2 })
		close(log.slow)
		f.wg.Wait()
		log.Await(t, "all stored", func(s ingesttest.Seen) bool { return s.New == len(f.all) })
		l.stop()
		ingesttest.Compare(t, log.stored(t), f.all)
	}, "mochi", "nats", "mosquitto")
}

// A peer that is gone without a word is noticed by its silence.
func TestHalfOpenConnection(t *testing.T) {
	t.Parallel()
	s := mochiSite(t)
	link := newProxy(t, s.url)
	log := openLog(t, t.TempDir())
	l := subscriber(link.url, mqttsource.Config{KeepAlive: time.Second})(t, mqttsource.CommitterConfig{Log: log})
	awaitSubscribed(t, l)
	link.freeze()
	awaitStatus(t, l, "the loss noticed", func(st mqttsource.LinkStatus) bool { return !st.Connected })
	link.thaw()
	awaitStatus(t, l, "a second connection", func(st mqttsource.LinkStatus) bool { return st.Connected && st.Connects >= 2 })
	f := newFleet("larch-04", 1, 10, 10)
	f.publish(t, s.url, 10)
	log.Await(t, "all stored", func(s ingesttest.Seen) bool { return s.New == len(f.all) })
	l.stop()
}

// The broker restarts with what it holds; the logger finds it again.
func TestBrokerRestart(t *testing.T) {
	eachSite(t, func(t *testing.T, s *site) {
		log := openLog(t, t.TempDir())
		l := s.start(t, mqttsource.CommitterConfig{Log: log, GroupDelay: 10 * time.Millisecond})
		awaitSubscribed(t, l)
		f := newFleet("larch-04", 2, 2000, 10)
		f.publish(t, s.url, 5)
		log.Await(t, "amid the stream", func(s ingesttest.Seen) bool { return s.New > 100 })
		s.restart(t)
		f.wg.Wait()
		log.Await(t, "all stored", func(s ingesttest.Seen) bool { return s.New == len(f.all) })
		l.stop()
		ingesttest.Compare(t, log.stored(t), f.all)
		if st := l.source.Status(); st.Connects < 2 {
			t.Errorf("status %+v, want a second connection", st)
		}
	}, "nats", "mosquitto") // the embedded one is restarted with the logger, by TestIngest and TestKill
}

// Two loggers share the messages; one stops amid the stream, and its part waits
// for it.
func TestSharedSubscription(t *testing.T) {
	t.Parallel()
	s := mochiSite(t)
	log := openLog(t, t.TempDir())
	worker := func(id string) *logger {
		l := subscriber(s.url, mqttsource.Config{ClientID: id, Group: "city"})(t, mqttsource.CommitterConfig{Log: log, GroupDelay: 10 * time.Millisecond})
		awaitSubscribed(t, l)
		return l
	}
	first, second := worker("w1"), worker("w2")
	messages := func(ls ...*logger) (n int64) {
		for _, l := range ls {
			n += l.committer.Status().Messages
		}
		return n
	}
	calm := newFleet("larch-04", 2, 100, 10)
	calm.publish(t, s.url, 10)
	calm.wg.Wait()
	log.Await(t, "all of the calm stored", func(s ingesttest.Seen) bool { return s.New == len(calm.all) })
	if n1, n2 := messages(first), messages(second); n1 == 0 || n2 == 0 || n1+n2 != 200 {
		t.Errorf("the workers took %d and %d messages of 200, want each a share and each message once", n1, n2)
	}

	f := newFleet("oak-02", 2, 300, 10)
	for r := range calm.all {
		f.all[r] = true
	}
	f.publish(t, s.url, 10)
	log.Await(t, "amid the stream", func(s ingesttest.Seen) bool { return s.New > len(calm.all)+100 })
	second.stop()
	f.wg.Wait()
	again := worker("w2")
	log.Await(t, "all stored", func(s ingesttest.Seen) bool { return s.New == len(f.all) })
	first.stop()
	again.stop()
	ingesttest.Compare(t, log.stored(t), f.all)
	// what the stopped one held unacknowledged comes twice, and nothing else does
	if n, twice := messages(first, second, again), log.Seen().Duplicate; n != 800+int64(twice)/10 {
		t.Errorf("%d messages for 800 packs and %d readings that came twice", n, twice)
	}
}
