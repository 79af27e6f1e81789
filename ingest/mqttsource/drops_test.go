package mqttsource_test

import (
	"bytes"
	"log/slog"
	"os/exec"
	"strings"
	"testing"
	"time"

	"greywatt/ingest/mqttsource"
)

// Mosquitto with a queue of ten messages drops the rest of what comes for an absent logger, though
// it acknowledges it, and counts that under $SYS. The logger says so when it is back.
func TestMosquittosDropsAreToldOf(t *testing.T) {
	if _, err := exec.LookPath("mosquitto"); err != nil {
		t.Skip("DID NOT RUN: mosquitto is not on the PATH")
	}
	s := mosquittoWith(t, "max_queued_messages 10", "sys_interval 1")
	var log bytes.Buffer
	begin := subscriber(s.url, mqttsource.Config{Logger: slog.New(slog.NewTextHandler(&log, nil))})
	start := func() *logger { return begin(t, mqttsource.CommitterConfig{Log: openLog(t, t.TempDir())}) }
	await := func(what string, done func() bool) {
		t.Helper()
		for deadline := time.Now().Add(time.Minute); !done(); pause(10 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("%s: not within a minute", what)
			}
		}
	}

	l := start()
	await("the first connection", func() bool { return l.source.Status().Connected })
	l.stop()
	n, err := dialNode(s.url, "node", 1)
	if err != nil {
		t.Fatal(err)
	}
	const sent, least, most = 60, 10, 30 // those under way, 20 by default, count beside the queue
	acked := make(chan bool, sent)
	for i := range sent {
		p, _ := pack("larch-04", "n1", i, 2)
		if err := n.publish(p.topic, p.body, false, func() { acked <- true }); err != nil {
			t.Fatal(err)
		}
	}
	if err := n.flush(); err != nil {
		t.Fatal(err)
	}
	for range sent {
		<-acked
	}
	n.close()

	l = start()
	await("the broker's count", func() bool { return l.source.Status().BrokerDropped >= sent-most })
	await("what it kept", func() bool { m := l.committer.Status().Messages; return m >= least && m <= most })
	l.stop()
	if !strings.Contains(log.String(), "has dropped messages") {
		t.Errorf("nothing was said:\n%s", log.String())
	}
}
