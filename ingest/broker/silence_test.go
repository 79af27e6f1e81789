package broker

import (
	"net"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A node whose connection is half open, gone without its end having been told, is
// noticed by its silence: its last will is taken.
func TestSilentNode(t *testing.T) {
	sink := newSink()
	b := listen(t, Config{Sink: sink})
	conn, err := net.Dial("tcp", strings.TrimPrefix(b.URL(), "tcp://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close() // it stays open on this side, and nothing is written to it any more
	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion, hello.CleanSession, hello.ClientIdentifier = "MQTT", 4, true, "n1"
	hello.Keepalive = 1 // s
	hello.WillFlag, hello.WillQos, hello.WillRetain = true, 1, true
	hello.WillTopic, hello.WillMessage = "greywatt/larch-04/n1/presence", []byte("down")
	if err := hello.Write(conn); err != nil {
		t.Fatal(err)
	}
	if _, err := packets.ReadPacket(conn); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if got, want := receive(t, "last will", sink.offered), "greywatt/larch-04/n1/presence down"; got != want {
		t.Errorf("offered %q, want %q", got, want)
	}
	// MQTT 3.1.1 section 3.1.2.10, from memory: after one and a half times the keepalive.
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("noticed after %v", took)
	}
}
