package mqttsource_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"greywatt/ingest/ingesttest"
	"greywatt/ingest/mqttsource"
)

// packMaker makes packs of 60 readings: six channels at ten instants, a second
// apart, as a node sends every ten seconds while water runs.
type packMaker struct {
	template []byte
	at       int // where the base time stands
	cbor     bool
}

const perPack = 60

func newPackMaker(asCBOR bool) *packMaker {
	type record struct {
		BT int64   `json:"bt,omitempty" cbor:"-3,keyasint,omitempty"`
		N  string  `json:"n" cbor:"0,keyasint"`
		U  string  `json:"u" cbor:"1,keyasint"`
		T  int     `json:"t,omitempty" cbor:"6,keyasint,omitempty"`
		V  float64 `json:"v" cbor:"2,keyasint"`
	}
	const stamp = 1_111_111_111
	var rs []record
	for i := range perPack / 6 {
		for c, name := range []string{"waste-in", "waste-out", "cold-in", "preheat-out", "flow", "ambient"} {
			r := record{N: name, U: "Cel", T: i, V: math.Round((36.2-4*float64(c)+0.05*float64(i))*100) / 100}
			if name == "flow" {
				r.U, r.V = "l/s", 0.151+float64(i)/1000
			}
			if i+c == 0 {
				r.BT = stamp
			}
			rs = append(rs, r)
		}
	}
	m := &packMaker{cbor: asCBOR}
	marker := []byte(strconv.Itoa(stamp))
	if asCBOR {
		m.template, _ = cbor.Marshal(rs)
		marker, _ = cbor.Marshal(int64(stamp))
		m.at = bytes.Index(m.template, marker) + 1 // after the byte that says "32-bit integer"
	} else {
		m.template, _ = json.Marshal(rs)
		m.at = bytes.Index(m.template, marker)
	}
	return m
}

// pack returns the seq-th pack of a node.
func (m *packMaker) pack(seq int) []byte {
	b := slices.Clone(m.template)
	t := uint32(1_700_000_000 + seq*perPack/6)
	if m.cbor {
		b[m.at], b[m.at+1], b[m.at+2], b[m.at+3] = byte(t>>24), byte(t>>16), byte(t>>8), byte(t)
	} else {
		copy(b[m.at:], strconv.Itoa(int(t)))
	}
	return b
}

// BenchmarkIngest measures the way of a pack of 60 readings from a node's
// publish with QoS 1 to a committed store and back to the node as PUBACK, with
// nodes, broker, logger and disk on one machine. One operation is one pack.
//
// "flat out" sends as fast as windows of 32 packs on 16 connections allow;
// "300k" at 300 000 readings/s, from 200 connections. With NATS the PUBACK is
// the broker's and says nothing of the store, so that only the rate counts: the
// clock stops when all is stored.
func BenchmarkIngest(b *testing.B) {
	flatOut := load{connections: 16, window: 32}
	for _, bb := range []struct {
		name string
		site func(testing.TB) *site
		cbor bool
		load
	}{
		{"embedded/json/flat out", embeddedSite, false, flatOut},
		{"embedded/cbor/flat out", embeddedSite, true, flatOut},
		{"embedded/json/300k", embeddedSite, false, load{connections: 200, window: 200, rate: 300_000}},
		{"nats/json/flat out", natsSite, false, flatOut},
	} {
		b.Run(bb.name, func(b *testing.B) {
			s := bb.site(b)
			log := openLog(b, b.TempDir())
			l := s.start(b, mqttsource.CommitterConfig{Log: log})
			for l.source != nil && !l.source.Status().Connected {
				pause(time.Millisecond)
			}
			maker := newPackMaker(bb.cbor)
			b.SetBytes(int64(len(maker.template)))
			b.ResetTimer()
			latencies := bb.run(b, s.url, maker)
			log.Await(b, "all stored", func(s ingesttest.Seen) bool { return s.New == b.N*perPack })
			b.StopTimer()
			slices.Sort(latencies)
			ms := func(q float64) float64 {
				return latencies[int(q*float64(len(latencies)-1))].Seconds() * 1000
			}
			b.ReportMetric(float64(b.N*perPack)/b.Elapsed().Seconds(), "readings/s")
			b.ReportMetric(ms(0.5), "ms-median")
			b.ReportMetric(ms(0.99), "ms-p99")
			l.stop()
			nodes, err := log.Nodes(b.Context())
			stored := 0
			for _, n := range nodes {
				stored += int(n.Readings)
			}
			if err != nil || stored != b.N*perPack {
				b.Errorf("%d readings are in the store, want %d (%v)", stored, b.N*perPack, err)
			}
			if st := l.committer.Status(); st.TurnedAway > 0 || len(st.Rejected) > 0 {
				b.Errorf("status %+v", st)
			}
		})
	}
}

type load struct {
	connections, window int
	rate                int // readings/s; 0: as fast as it goes
}

// run publishes b.N packs and returns how long each took to be acknowledged.
func (ld load) run(b *testing.B, url string, maker *packMaker) []time.Duration {
	var mu sync.Mutex
	var latencies []time.Duration
	var wg sync.WaitGroup
	begin := time.Now()
	for i := range ld.connections {
		packs := b.N / ld.connections
		if i < b.N%ld.connections {
			packs++
		}
		topic := fmt.Sprintf("%s/d%03d/n1/senml", prefix, i)
		n, err := dialNode(url, fmt.Sprintf("node-%d", i), ld.window)
		if err != nil {
			b.Fatal(err)
		}
		wg.Go(func() {
			defer n.close()
			var acks sync.WaitGroup
			var mine []time.Duration // written by the connection's reader alone
			for seq := range packs {
				if ld.rate > 0 {
					due := begin.Add(time.Duration(float64(seq*ld.connections+i) * perPack / float64(ld.rate) * 1e9))
					if wait := time.Until(due); wait > 0 {
						pause(wait)
					}
				}
				sent := time.Now()
				acks.Add(1)
				err := n.publish(topic, maker.pack(seq), false, func() {
					mine = append(mine, time.Since(sent))
					acks.Done()
				})
				if err == nil && ld.rate > 0 {
					err = n.flush()
				}
				if err != nil {
					b.Error(err)
					return
				}
			}
			if err := n.flush(); err != nil {
				b.Error(err)
				return
			}
			acks.Wait()
			mu.Lock()
			defer mu.Unlock()
			latencies = append(latencies, mine...)
		})
	}
	wg.Wait()
	return latencies
}
