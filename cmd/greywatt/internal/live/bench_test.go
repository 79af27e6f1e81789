package live

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"greywatt"
	"greywatt/ingest/payload"
)

// BenchmarkOverview renders the overview of 200 dwellings of which every one has
// changed since the last time, and as most visitors find it.
func BenchmarkOverview(b *testing.B) {
	for _, changed := range []bool{true, false} {
		b.Run(fmt.Sprintf("200 dwellings/changed=%v", changed), func(b *testing.B) {
			p, v := manyDwellings(b, 200)
			b.ReportAllocs()
			for b.Loop() {
				if changed {
					clear(p.cache.rows)
				}
				if w := v.get("/"); w.Code != http.StatusOK {
					b.Fatal(w.Code)
				}
			}
		})
	}
}

// BenchmarkDwelling renders a dwelling's page.
func BenchmarkDwelling(b *testing.B) {
	f := newFullPage(b, 5)
	b.ReportAllocs()
	for b.Loop() {
		if w := f.get("/dwelling/" + f.d.ID); w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
	}
}

// BenchmarkCommitted is what the page costs the logger: a commit of 4000
// readings handed over, to a page that keeps up and to one that does not.
func BenchmarkCommitted(b *testing.B) {
	for _, keepsUp := range []bool{true, false} {
		b.Run(fmt.Sprintf("4000 readings/keeps up=%v", keepsUp), func(b *testing.B) {
			log := openStore(b)
			p := New(Config{Study: twoDwellings(), Log: log, Rejected: log})
			rs := readings(4000, t0)
			b.ReportAllocs()
			for b.Loop() {
				p.Committed(rs, time.Millisecond)
				if keepsUp {
					p.feed.free <- <-p.feed.full
				}
			}
		})
	}
}

// BenchmarkIngestWithViewers is the logger flat out, on this machine with nodes
// and viewers together: packs of 60 readings on 16 connections, without the
// page, with it, and with 50 viewers who follow the dwellings that the readings
// are of. One operation is one pack.
func BenchmarkIngestWithViewers(b *testing.B) {
	for _, bb := range []struct {
		name    string
		page    bool
		viewers int
	}{{"no page", false, 0}, {"page", true, 0}, {"page, 50 viewers", true, 50}} {
		b.Run(bb.name, func(b *testing.B) {
			const connections = 16
			study := &greywatt.Study{Name: "bench", Timezone: time.UTC}
			for i := range connections {
				d := twoDwellings().Dwellings[1]
				d.ID = fmt.Sprintf("d%03d", i)
				study.Dwellings = append(study.Dwellings, d)
			}
			s := newSite(b, study, bb.page)
			ctx, cancel := context.WithCancel(b.Context())
			var watching sync.WaitGroup
			var got atomic.Int64
			for i := range bb.viewers {
				watching.Go(func() { watchPage(ctx, b, fmt.Sprintf("%s/dwelling/d%03d/stream", s.url, i%connections), &got) })
			}
			b.ResetTimer()
			flood(b, s.broker.URL(), connections)
			if b.Failed() { // what was not sent would be waited for without end
				b.FailNow()
			}
			for s.committer.Status().New < int64(b.N)*60 {
				<-time.After(time.Millisecond)
			}
			b.StopTimer()
			b.ReportMetric(float64(b.N*60)/b.Elapsed().Seconds(), "readings/s")
			if bb.viewers > 0 {
				b.ReportMetric(float64(got.Load())/b.Elapsed().Seconds()/float64(bb.viewers), "messages/s/viewer")
			}
			cancel()
			watching.Wait()
		})
	}
}

// watchPage reads a stream and counts its messages.
func watchPage(ctx context.Context, b *testing.B, url string, got *atomic.Int64) {
	r, err := http.NewRequestWithContext(ctx, "GET", url, nil)
	if err != nil {
		b.Error(err)
		return
	}
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	resp, err := client.Do(r)
	if err != nil {
		if ctx.Err() == nil {
			b.Error(err)
		}
		return
	}
	defer resp.Body.Close()
	for lines := bufio.NewReader(resp.Body); ; {
		line, err := lines.ReadSlice('\n')
		if err != nil && err != bufio.ErrBufferFull {
			return
		}
		if bytes.HasPrefix(line, []byte("data: ")) {
			got.Add(1)
		}
	}
}

// flood publishes b.N packs, as fast as windows of 32 on each connection allow.
func flood(b *testing.B, url string, connections int) {
	var work sync.WaitGroup
	now := time.Now()
	for i := range connections {
		packs := b.N / connections
		if i < b.N%connections {
			packs++
		}
		work.Go(func() {
			if err := floodOne(strings.TrimPrefix(url, "tcp://"), fmt.Sprintf("d%03d", i), packs, now); err != nil {
				b.Error(err)
			}
		})
	}
	work.Wait()
}

// floodOne publishes packs of ten instants of six channels, the last of them
// of now. It speaks MQTT itself, so that a client's cost is small.
func floodOne(addr, dwelling string, packs int, now time.Time) error {
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		return err
	}
	defer conn.Close()
	out := bufio.NewWriterSize(conn, 64<<10)
	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion, hello.ClientIdentifier, hello.CleanSession, hello.Keepalive = "MQTT", 4, dwelling, true, 60
	if err := hello.Write(conn); err != nil {
		return err
	}
	in := bufio.NewReader(conn)
	if _, err := packets.ReadPacket(in); err != nil {
		return err
	}
	const window = 32
	acked := make(chan error, window)
	go func() {
		defer close(acked)
		for range packs {
			if _, err := packets.ReadPacket(in); err != nil {
				acked <- err
				return
			}
			acked <- nil
		}
	}()
	topic := payload.Topic{Dwelling: dwelling, Node: "n1", Kind: payload.SenML}.In(payload.DefaultPrefix)
	var rs []greywatt.Reading
	var pack []byte
	await := func() error {
		if err := out.Flush(); err != nil {
			return err
		}
		return <-acked
	}
	for seq := range packs {
		rs = rs[:0]
		at := greywatt.InstantOf(now).Add(-10 * float64(packs-seq))
		for k := range 10 {
			for c := range greywatt.Channel(6) {
				v := 36.2 - 4*float64(c) + 0.05*float64(k)
				if c == greywatt.Flow {
					v = 0.15
				}
				rs = append(rs, greywatt.Reading{Dwelling: dwelling, Node: "n1", Channel: c, At: at.Add(float64(k)), Value: v})
			}
		}
		if pack, err = payload.EncodeJSON(pack[:0], rs); err != nil {
			return err
		}
		p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		p.TopicName, p.Payload, p.Qos, p.MessageID = topic, pack, 1, uint16(seq%60_000+1)
		if err := p.Write(out); err != nil {
			return err
		}
		if seq >= window {
			if err := await(); err != nil {
				return err
			}
		}
	}
	for range min(packs, window) {
		if err := await(); err != nil {
			return err
		}
	}
	return nil
}
