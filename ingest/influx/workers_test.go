package influx_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"greywatt"
	"greywatt/ingest/influx"
	"greywatt/ingest/influx/influxdtest"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/mqttsource"
)

// The environment of a test binary that is to be a worker, for TestWorkers.
const (
	workerBroker = "GREYWATT_TEST_WORKER_BROKER"
	workerInflux = "GREYWATT_TEST_WORKER_INFLUX"
	workerName   = "GREYWATT_TEST_WORKER_NAME"
)

const prefix = "city"

// runWorker takes its share of the messages from the broker to the server, says
// "ready" once it has subscribed, and goes on until it is killed.
func runWorker() error {
	ctx := context.Background()
	db, err := influx.New(influx.Config{URL: os.Getenv(workerInflux), Bucket: influxdtest.Bucket})
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	c := mqttsource.NewCommitter(mqttsource.CommitterConfig{Prefix: prefix, Log: db, GroupDelay: 50 * time.Millisecond, Logger: log})
	src, err := mqttsource.New(mqttsource.Config{
		Broker: os.Getenv(workerBroker), ClientID: os.Getenv(workerName), Group: "workers", Prefix: prefix, Logger: log,
	}, c)
	if err != nil {
		return err
	}
	go func() {
		for !src.Status().Connected {
			pause(10 * time.Millisecond)
		}
		fmt.Println("ready")
	}()
	go src.Run(ctx)
	return c.Run(ctx)
}

type worker struct {
	cmd    *exec.Cmd
	stderr bytes.Buffer
}

func startWorker(t *testing.T, name, broker, server string) *worker {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	w := &worker{cmd: exec.Command(exe)}
	w.cmd.Env = append(os.Environ(), workerBroker+"="+broker, workerInflux+"="+server, workerName+"="+name)
	w.cmd.Stderr = &w.stderr
	stdout, err := w.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := w.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.kill)
	if line, err := bufio.NewReader(stdout).ReadString('\n'); line != "ready\n" {
		w.kill()
		t.Fatalf("the worker said %q, %v; want ready; its errors: %s", line, err, w.stderr.String())
	}
	return w
}

// kill ends the process with SIGKILL.
func (w *worker) kill() {
	w.cmd.Process.Kill()
	w.cmd.Wait()
}

// allowAll lets anyone connect, publish and subscribe.
type allowAll struct{ mochi.HookBase }

func (*allowAll) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (*allowAll) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*allowAll) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

// startBroker starts an ordinary broker, which acknowledges at once and keeps in
// memory what waits for absent subscribers.
func startBroker(t *testing.T) (url string) {
	t.Helper()
	caps := mochi.NewDefaultServerCapabilities()
	caps.MaximumInflight = math.MaxUint16 - 1
	caps.MaximumClientWritesPending = math.MaxUint16
	b := mochi.New(&mochi.Options{Capabilities: caps, Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := b.AddHook(new(allowAll), nil); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := b.AddListener(listeners.NewNet("test", l)); err != nil {
		t.Fatal(err)
	}
	if err := b.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return "tcp://" + l.Addr().String()
}

// Three workers share the messages of a broker and write to one server. Amid the
// stream one of them is killed, then the server. Nothing is lost, and what was
// delivered twice counts once.
func TestWorkers(t *testing.T) {
	s := influxdtest.Open(t)
	broker := startBroker(t)
	var workers [3]*worker
	for i := range workers {
		workers[i] = startWorker(t, fmt.Sprintf("worker-%d", i), broker, s.URL)
	}
	db := openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket})

	const dwellings, packs, perPack = 20, 120, 60
	var names []string
	var all []greywatt.Reading
	var messages [][2]string // topic, body
	for d := range dwellings {
		names = append(names, fmt.Sprintf("larch-%02d", d))
	}
	for p := range packs {
		for _, name := range names {
			body, rs := pack(name, p*perPack, perPack)
			messages = append(messages, [2]string{prefix + "/" + name + "/n1/senml", body})
			all = append(all, rs...)
		}
	}
	published := make(chan error, 1)
	go func() { published <- publish(broker, messages) }()

	total := len(all)
	await := func(n int) int {
		t.Helper()
		for deadline := time.Now().Add(3 * time.Minute); time.Now().Before(deadline); pause(20 * time.Millisecond) {
			if got := count(t, s); got >= n {
				return got
			}
		}
		t.Fatalf("%d readings are not stored after 3 min; a worker's errors: %s", n, workers[0].stderr.String())
		return 0
	}
	atWorkerKill := await(total / 10)
	workers[1].kill()
	atServerKill := await(atWorkerKill + total/10)
	s.Kill()
	if atServerKill >= total {
		t.Errorf("all was stored before the server was killed: nothing was shown")
	}
	t.Logf("of %d readings %d were stored when a worker was killed, %d when the server was", total, atWorkerKill, atServerKill)
	if err := <-published; err != nil {
		t.Fatal(err)
	}
	s.Start(t)
	// As a supervisor would: under its name the broker has kept its share.
	workers[1] = startWorker(t, "worker-1", broker, s.URL)
	await(total)
	ingesttest.Compare(t, stored(t, db, names...), bitsOf(all))
	if cs, err := db.Conflicts(t.Context(), 10); err != nil || len(cs) > 0 {
		t.Errorf("conflicts %+v, %v", cs, err)
	}
}

// count returns how many readings the server has.
func count(t *testing.T, s *influxdtest.Server) int {
	t.Helper()
	n := 0
	for _, series := range s.Select(t, influxdtest.Bucket, `SELECT COUNT(*) FROM reading`) {
		for _, v := range series.Values[0][1:] {
			if v, ok := v.(float64); ok { // null of a field of which the server has seen the name only
				n += int(v)
			}
		}
	}
	return n
}

// pack returns a pack of n readings from the k-th on, of three channels.
func pack(dwelling string, k, n int) (string, []greywatt.Reading) {
	var b strings.Builder
	var rs []greywatt.Reading
	fmt.Fprintf(&b, `[{"bt":%d}`, int64(day/second))
	for i := range n {
		c, unit := [...]greywatt.Channel{greywatt.WasteIn, greywatt.ColdIn, greywatt.Flow}[i%3], "Cel"
		if c == greywatt.Flow {
			unit = "l/s"
		}
		v := float64((k+i)%4000) / 1000
		fmt.Fprintf(&b, `,{"n":"%s","u":"%s","t":%d,"v":%g}`, c, unit, (k+i)/3, v)
		rs = append(rs, reading(dwelling, "n1", c, day+greywatt.Instant((k+i)/3)*second, v))
	}
	b.WriteByte(']')
	return b.String(), rs
}

// publish sends messages with QoS 1, a few hundred a second, and returns when
// all are acknowledged.
func publish(broker string, messages [][2]string) error {
	c := paho.NewClient(paho.NewClientOptions().AddBroker(broker).SetClientID("nodes"))
	if t := c.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		return fmt.Errorf("connect: %w", t.Error())
	}
	defer c.Disconnect(100)
	tick := time.NewTicker(3 * time.Millisecond)
	defer tick.Stop()
	for _, m := range messages {
		<-tick.C
		if t := c.Publish(m[0], 1, false, m[1]); !t.WaitTimeout(time.Minute) || t.Error() != nil {
			return fmt.Errorf("publish: %w", t.Error())
		}
	}
	return nil
}
