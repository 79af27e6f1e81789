//go:build unix

package broker

import (
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/crypto/bcrypt"
)

// BenchmarkReturn restarts the broker of 600 nodes, which all come back at once,
// alone or behind an address where twenty connections guess at their accounts. A
// time is that until the last has its CONNACK; passwords have the usual cost.
func BenchmarkReturn(b *testing.B) {
	const nodes = 600
	h, err := bcrypt.GenerateFromPassword([]byte("pw"), bcrypt.DefaultCost)
	if err != nil {
		b.Fatal(err)
	}
	var file strings.Builder
	for i := range nodes {
		fmt.Fprintf(&file, "n%d:%s:larch-%d/n\n", i, h, i)
	}
	u, err := ReadUsers(strings.NewReader(file.String()))
	if err != nil {
		b.Fatal(err)
	}
	for _, guessers := range []int{0, 20} {
		b.Run(fmt.Sprint("guessers=", guessers), func(b *testing.B) {
			for b.Loop() {
				broker := listen(b, Config{Sink: &safeSink{}, Users: u})
				end := make(chan struct{})
				var guessing, coming sync.WaitGroup
				admitted := make(chan paho.Client, nodes)
				begin := processorTime()
				for range guessers {
					guessing.Go(func() { guess(broker, nodes, end) })
				}
				for i := range nodes {
					coming.Go(func() {
						name := fmt.Sprint("n", i)
						c := connecting(options(broker, name).SetUsername(name).SetPassword("pw"))
						if tok := c.Connect(); !tok.WaitTimeout(5*time.Minute) || tok.Error() != nil {
							b.Errorf("%s is not admitted: %v", name, tok.Error())
						}
						admitted <- c
					})
				}
				coming.Wait()
				b.ReportMetric((processorTime() - begin).Seconds(), "processor-s/op")
				b.ReportMetric(float64(broker.hook.gate.checks.Load()), "checks/op")
				b.StopTimer()
				close(end)
				guessing.Wait()
				for range nodes {
					(<-admitted).Disconnect(100)
				}
				broker.Close()
				b.StartTimer()
			}
		})
	}
}

// processorTime is what this process has used, clients included.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// guess shows wrong passwords, of accounts that there are and of others, until end.
func guess(b *Broker, nodes int, end <-chan struct{}) {
	for n := 0; ; n++ {
		select {
		case <-end:
			return
		default:
		}
		conn, err := net.Dial("tcp", strings.TrimPrefix(b.URL(), "tcp://"))
		if err != nil {
			continue
		}
		name := fmt.Sprint("n", rand.IntN(nodes))
		if n%4 == 0 {
			name = fmt.Sprint("nobody", rand.Int64())
		}
		conn.Write(hello("guesser", name, "guess"))
		conn.Read(make([]byte, 4))
		conn.Close()
	}
}
