package broker

import (
	"bytes"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"golang.org/x/crypto/bcrypt"
)

var (
	attackFor   = flag.Duration("attack", 3*time.Second, "how long TestAttack attacks")
	attackers   = flag.Int("attackers", 4, "hostile connections of each kind in TestAttack")
	attackNodes = flag.Int("attack-nodes", 20, "honest nodes in TestAttack")
	attackEvery = flag.Duration("attack-every", 50*time.Millisecond, "pause of an honest node between packs in TestAttack")
	attackCost  = flag.Int("attack-cost", bcrypt.DefaultCost, "bcrypt's cost of the honest nodes' passwords in TestAttack")
)

// hello is a CONNECT packet.
func hello(id, user, password string) []byte {
	pk := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	pk.ProtocolName, pk.ProtocolVersion, pk.CleanSession, pk.ClientIdentifier = "MQTT", 4, true, id
	pk.Username, pk.UsernameFlag, pk.Password, pk.PasswordFlag = user, true, []byte(password), true
	var w bytes.Buffer
	pk.Write(&w)
	return w.Bytes()
}

// connecting is a client that tries until it is admitted.
func connecting(o *paho.ClientOptions) paho.Client {
	return paho.NewClient(o.SetConnectTimeout(30 * time.Second).SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond))
}

// countedLog is a log of which only the size is kept.
type countedLog struct{ bytes atomic.Int64 }

func (l *countedLog) Write(p []byte) (int, error) {
	l.bytes.Add(int64(len(p)))
	return len(p), nil
}

// safeSink takes everything and counts it.
type safeSink struct{ taken atomic.Int64 }

func (s *safeSink) Offer(_ string, _ []byte, safe func()) error {
	s.taken.Add(1)
	safe()
	return nil
}

// TestAttack attacks a broker in eight ways at once: connections that end at once or
// say nothing, packets announced and not sent or half sent, long client ids, wrong
// passwords of nobody and of the honest nodes, subscribers that do not read or go
// away. All come from the address that the honest nodes have. Meanwhile honest nodes publish; every message
// of theirs is acknowledged soon, memory and log stay small.
func TestAttack(t *testing.T) {
	h, err := bcrypt.GenerateFromPassword([]byte("pw"), bcrypt.DefaultCost)
	if err != nil {
		t.Fatal(err)
	}
	honestHash, err := bcrypt.GenerateFromPassword([]byte("pw"), *attackCost)
	if err != nil {
		t.Fatal(err)
	}
	var file strings.Builder
	fmt.Fprintf(&file, "hostile:%s:elm-01/n1\nhostile-watcher:%s:watch\n", h, h)
	for i := range *attackNodes {
		fmt.Fprintf(&file, "n%d:%s:larch-%d/n\n", i, honestHash, i)
	}
	u, err := ReadUsers(strings.NewReader(file.String()))
	if err != nil {
		t.Fatal(err)
	}
	var log countedLog
	sink := &safeSink{}
	b := listen(t, Config{Sink: sink, Users: u, Log: slog.New(slog.NewTextHandler(&log, nil))})
	addr := strings.TrimPrefix(b.URL(), "tcp://")

	end := time.Now().Add(*attackFor)
	var hostile sync.WaitGroup
	ways := 0
	attack := func(what func(i int, conn net.Conn)) {
		ways++
		for i := range *attackers {
			hostile.Go(func() {
				for time.Now().Before(end) {
					conn, err := net.Dial("tcp", addr)
					if err != nil {
						time.Sleep(10 * time.Millisecond)
						continue
					}
					conn.SetDeadline(end)
					what(i, conn)
					conn.Close()
					time.Sleep(10 * time.Millisecond)
				}
			})
		}
	}
	wait := func(conn net.Conn) { conn.Read(make([]byte, 64)); conn.Read(make([]byte, 1)) }
	attack(func(int, net.Conn) {})
	attack(func(_ int, conn net.Conn) { wait(conn) })
	attack(func(i int, conn net.Conn) {
		conn.Write(hello(fmt.Sprint("o", i), fmt.Sprint("n", (i+int(time.Now().UnixNano()/1e6))%*attackNodes), "guess"))
		wait(conn)
	})
	attack(func(i int, conn net.Conn) {
		conn.Write(append(hello(fmt.Sprint("half", i), "hostile", "pw"), 0x32, 0x80, 0x80, 0x40)) // 1 MiB announced
		conn.Write(make([]byte, 512<<10))
		wait(conn)
	})
	attack(func(i int, conn net.Conn) {
		conn.Write(append(hello(fmt.Sprint("absent", i), "hostile-watcher", "pw"), append([]byte{0x82, 15, 0, 1, 0, 10}, "greywatt/#\x01"...)...))
		conn.Read(make([]byte, 9))
	})
	attack(func(_ int, conn net.Conn) { conn.Write(hello(strings.Repeat("x", 15_000), "u", "p")); wait(conn) })
	attack(func(i int, conn net.Conn) {
		conn.Write(hello(fmt.Sprint("g", i), fmt.Sprint("guess", i, time.Now().UnixNano()), "guess"))
		wait(conn)
	})
	attack(func(i int, conn net.Conn) {
		conn.Write(append(hello(fmt.Sprint("large", i), "hostile", "pw"), 0x32, 0x80, 0x80, 0x80, 0x02)) // 4 MiB announced
		wait(conn)
		time.Sleep(time.Until(end))
	})
	attack(func(i int, conn net.Conn) {
		conn.Write(append(hello(fmt.Sprint("deaf", i), "hostile-watcher", "pw"), append([]byte{0x82, 15, 0, 1, 0, 10}, "greywatt/#\x01"...)...))
		conn.Read(make([]byte, 9))
		time.Sleep(time.Until(end))
	})

	pack := bytes.Repeat([]byte("x"), 12_000) // of 300 readings or so, larger than is passed on as it comes
	took := make([][]time.Duration, *attackNodes)
	var sent atomic.Int64
	var honest sync.WaitGroup
	for i := range *attackNodes {
		honest.Go(func() {
			name := fmt.Sprint("n", i)
			c := connecting(options(b, name).SetUsername(name).SetPassword("pw").SetAutoReconnect(true))
			if tok := c.Connect(); !tok.WaitTimeout(5*time.Minute) || tok.Error() != nil {
				t.Errorf("%s is not admitted", name)
				return
			}
			defer c.Disconnect(0)
			time.Sleep(time.Duration(i) * *attackEvery / time.Duration(*attackNodes))
			for n := 0; n == 0 || time.Now().Before(end); n++ {
				begin := time.Now()
				tok := c.Publish(fmt.Sprintf("greywatt/larch-%d/n/senml", i), 1, false, pack)
				if !tok.WaitTimeout(time.Minute) || tok.Error() != nil {
					t.Errorf("%s: a pack is not acknowledged: %v", name, tok.Error())
					return
				}
				sent.Add(1)
				took[i] = append(took[i], time.Since(begin))
				time.Sleep(*attackEvery)
			}
		})
	}
	var most uint64
	for time.Now().Before(end) {
		most = max(most, heap())
		time.Sleep(max(500*time.Millisecond, *attackFor/100)) // each look stops the world twice
	}
	honest.Wait()
	hostile.Wait()
	all := slices.Concat(took...)
	slices.Sort(all)
	if len(all) < *attackNodes {
		t.Fatalf("%d packs were acknowledged", len(all))
	}
	p99 := all[len(all)*99/100]
	t.Logf("%d hostile connections, %d nodes, %v: %d packs, publish to PUBACK 99 %% within %v; heap %d MiB, log %d bytes; %+v",
		ways**attackers, *attackNodes, *attackFor, len(all), p99, most>>20, log.bytes.Load(), b.Status())
	if sink.taken.Load() < sent.Load() {
		t.Errorf("%d packs acknowledged, %d taken", sent.Load(), sink.taken.Load())
	}
	if p99 > 2*time.Second || most > 400<<20 || log.bytes.Load() > 10<<20 {
		t.Error("wanted: 2 s, 400 MiB, 10 MiB of log")
	}
}
