package mqttsource_test

import (
	"encoding/json"
	"fmt"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"golang.org/x/crypto/bcrypt"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
)

// A raw client says what no client library would.
type raw struct{ net.Conn }

// dialRaw logs in; an empty user is anonymous.
func dialRaw(t *testing.T, url, user string) raw {
	t.Helper()
	conn, err := net.DialTimeout("tcp", strings.TrimPrefix(url, "tcp://"), nodeTimeout)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	conn.SetDeadline(time.Now().Add(nodeTimeout))
	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion, hello.CleanSession, hello.Keepalive = "MQTT", 4, true, 60
	hello.ClientIdentifier = "raw"
	if user != "" {
		hello.UsernameFlag, hello.PasswordFlag, hello.Username, hello.Password = true, true, user, []byte(user+"-pw")
	}
	if err := hello.Write(conn); err != nil {
		t.Fatal(err)
	}
	answer, err := packets.ReadPacket(conn)
	if ack, ok := answer.(*packets.ConnackPacket); err != nil || !ok || ack.ReturnCode != packets.Accepted {
		t.Fatalf("not admitted: %v, %v", answer, err)
	}
	return raw{conn}
}

// publish sends one message with QoS 1 and reports whether it was acknowledged
// before the connection ended.
func (c raw) publish(t *testing.T, topic string, body []byte) (acked bool) {
	t.Helper()
	if _, err := c.Write(parcel{topic: topic, body: body}.frame()); err != nil {
		return false
	}
	for {
		answer, err := packets.ReadPacket(c)
		if err != nil {
			return false
		}
		if _, ok := answer.(*packets.PubackPacket); ok {
			return true
		}
	}
}

// Node n1 of larch-04 says all it can think of to be taken for another, in
// topics and in names. Where the broker has access rules, what is stored is its
// own; where everyone may publish, what is stored is of the study's dwellings and
// of ids that can be ids; and either way the broker goes on.
func TestInjection(t *testing.T) {
	hash, err := bcrypt.GenerateFromPassword([]byte("a-pw"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	users, err := broker.ReadUsers(strings.NewReader("a:" + string(hash) + ":larch-04/n1\n"))
	if err != nil {
		t.Fatal(err)
	}
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "larch-04"}, {ID: "oak-01"}}}
	topics := []string{
		"%/oak-01/n1/senml", "%/larch-04/n2/senml", "%/larch-04/n11/senml", "%/larch-04/n1/../n2/senml", "%/larch-04/../oak-01/n1/senml",
		"%/../larch-04/n1/senml", "%/larch-04/../senml", "%/../oak-01/senml", "%/./n1/senml", "%/+/n1/senml", "%/larch-04/+/senml", "%/#", "#", "+/+/+/+/senml",
		"$SYS/broker/version", "$SYS/%/larch-04/n1/senml", "$share/g/%/oak-01/n1/senml", "", "/", "//", "%//n1/senml", "%/oak-01//senml", "%/larch-04/n1/senml/",
		"/%/oak-01/n1/senml", "%/oak-01/n1/senml\x00", "%/oak-01\x00/n1/senml", "%/larch-04\xff/n1/senml", "%/oak\u201001/n1/senml", "%/oak-01 /n1/senml",
		"%/oak-01/n1/SENML", "%/oak-01/n1/presence", "%/oak-01\\/n1/senml", "%/" + strings.Repeat("a", 60_000) + "/n1/senml", "%/oak-01/" + strings.Repeat("n", 129) + "/senml",
		strings.Repeat("/", 60_000), "%/oak-01/n1/senml/" + strings.Repeat("x/", 1000),
	}
	names := []string{
		"oak-01/n1/", "../oak-01/n1/", "larch-04/n1/../../oak-01/n1/", "larch-04/../oak-01/", "larch-04/n2/", "/", "//", "$SYS/n1/", "+/n1/", "#/", "larch-04/+/",
		"larch-04/n1\x00/", "oak-01/n1\x00/", "oak\u201001/n1/", strings.Repeat("a", 10_000) + "/n1/", strings.Repeat("/", 10_000), "urn:dev:x/",
	}
	for _, tt := range []struct {
		name     string
		user     string
		users    *broker.Users
		dwelling map[string]bool // that may be stored
	}{
		{"with access rules", "a", users, map[string]bool{"larch-04": true}},
		{"open, on loopback", "", nil, map[string]bool{"larch-04": true, "oak-01": true}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			log := openLog(t, t.TempDir())
			l := newLogger(t, mqttsource.CommitterConfig{Log: log, Resolver: payload.NewResolver(study), OwnNames: tt.users != nil, GroupDelay: time.Millisecond})
			b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: prefix, Sink: l.committer, Users: tt.users})
			if err != nil {
				t.Fatal(err)
			}
			l.run(t, nil, func() { b.Close() })
			good := func(seconds int) []byte {
				return fmt.Appendf(nil, `[{"bt":%d,"bu":"Cel","n":"cold-in","v":9}]`, 1_770_000_000+seconds)
			}
			own := prefix + "/larch-04/n1/senml"
			c := dialRaw(t, b.URL(), tt.user)
			for i, topic := range topics {
				topic = strings.ReplaceAll(topic, "%", prefix)
				c.SetDeadline(time.Now().Add(time.Second)) // some are ignored without a word
				if acked := c.publish(t, topic, good(i)); acked && tt.users != nil {
					t.Errorf("%.80q is acknowledged", topic)
				}
				c.Close()
				c = dialRaw(t, b.URL(), tt.user)
				if !c.publish(t, own, good(i)) {
					t.Fatalf("after %.80q the node's own pack is not acknowledged", topic)
				}
			}
			for i, name := range names {
				quoted, _ := json.Marshal(name)
				pack := fmt.Appendf(nil, `[{"bn":%s,"bt":%d,"bu":"Cel","n":"cold-in","v":30},{"bn":"","n":"waste-in","v":30}]`, quoted, 1_770_000_000+i)
				if !c.publish(t, own, pack) {
					t.Fatalf("a pack of names %.80q is not acknowledged, and would come for ever", name)
				}
			}
			l.stop()
			nodes, err := log.Nodes(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			for _, n := range nodes {
				switch {
				case !tt.dwelling[n.Dwelling], payload.CheckID(n.Node) != nil, tt.users != nil && n.Node != "n1":
					t.Errorf("stored under %q/%q: %d readings", n.Dwelling, n.Node, n.Readings)
				case n.Dwelling == "larch-04" && n.Node == "n1" && n.Readings != int64(len(topics)+len(names)):
					t.Errorf("of the node's own %d readings are stored, want %d", n.Readings, len(topics)+len(names))
				}
			}
			if tt.users != nil && len(nodes) != 1 {
				t.Errorf("%d nodes are stored, want one", len(nodes))
			}
			if st := l.committer.Status(); tt.users != nil && st.Rejected[ingest.WrongTopic] == 0 {
				t.Errorf("status %+v, want names of others refused", st)
			}
		})
	}
}

// Packs of absurd size, depth and number of names, and connections that announce
// more than they send: each is refused or taken, and memory stays bounded.
func TestAbsurdPacks(t *testing.T) {
	const limit = 256 << 20 // of heap beyond what it was; the largest pack that is taken is 4 MiB
	log := openLog(t, t.TempDir())
	l := newLogger(t, mqttsource.CommitterConfig{Log: log, GroupDelay: time.Millisecond})
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: prefix, Sink: l.committer})
	if err != nil {
		t.Fatal(err)
	}
	l.run(t, nil, func() { b.Close() })
	size := 4<<20 - 1<<10 // the broker takes packets of 4 MiB
	if testing.Short() {
		size = 512 << 10
	}
	repeat := func(s string) []byte { return []byte(strings.Repeat(s, (size-100)/len(s))) }
	var distinct strings.Builder
	distinct.WriteByte('[')
	for i := 0; distinct.Len() < size-200; i++ {
		fmt.Fprintf(&distinct, `{"n":"d%d/n%d/flow","u":"l/s","t":1770000000,"v":0.1},`, i, i)
	}
	distinct.WriteString(`{"n":"flow","u":"l/s","t":1770000000,"v":0.1}]`)
	packs := map[string][]byte{
		"arrays in arrays":        repeat("["),
		"objects in objects":      repeat(`[{"x":`),
		"a value nested deep":     append(append([]byte(`[{"x":`), repeat("[")...), '1'),
		"CBOR arrays in arrays":   repeat("\x9f"),
		"CBOR maps in maps":       repeat("\xbf\x00"),
		"CBOR tags":               append([]byte("\x81\xa1\x02"), repeat("\xc1")...),
		"CBOR of 2^63 records":    []byte("\x9b\x7f\xff\xff\xff\xff\xff\xff\xff"),
		"a CBOR text of 2^62":     []byte("\x81\xa1\x00\x7b\x40\x00\x00\x00\x00\x00\x00\x00x"),
		"empty records":           append(append([]byte("["), repeat("{},")...), []byte("{}]")...),
		"numbers":                 append(append([]byte("["), repeat("1,")...), []byte("1]")...),
		"broken records":          append(append([]byte("["), repeat(`{"v":NaN,},`)...), []byte("{}]")...),
		"broken elements":         append(append([]byte("["), repeat("NaN,")...), []byte("1]")...),
		"one long name":           append(append([]byte(`[{"n":"`), repeat("a")...), []byte(`","u":"l/s","v":1}]`)...),
		"one long escaped name":   append(append([]byte(`[{"n":"`), repeat(`\u0061`)...), []byte(`","u":"l/s","v":1}]`)...),
		"one long number":         append(append([]byte(`[{"n":"flow","u":"l/s","v":`), repeat("1")...), []byte(`}]`)...),
		"one record, many labels": append(append([]byte(`[{`), repeat(`"x":1,`)...), []byte(`"n":"flow"}]`)...),
		"a name for each record":  []byte(distinct.String()),
		"blanks":                  append(append([]byte("["), repeat(" ")...), ']'),
		"nothing":                 {},
		"zeros":                   make([]byte, size-100),
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	most := uint64(0)
	for name, pack := range packs {
		began := time.Now()
		c := dialRaw(t, b.URL(), "")
		c.SetDeadline(began.Add(time.Minute))
		acked := c.publish(t, prefix+"/larch-04/n1/senml", pack)
		if len(pack) > size || !acked {
			t.Errorf("%s: %d bytes are not acknowledged, and would come for ever", name, len(pack))
		}
		c.Close()
		runtime.ReadMemStats(&after)
		most = max(most, after.HeapInuse)
		t.Logf("%-24s %5.2f s", name, time.Since(began).Seconds())
		if took := time.Since(began); took > time.Minute {
			t.Errorf("%s: took %v", name, took)
		}
	}
	// No memory is reserved for an announced gigabyte.
	for range 20 {
		c := dialRaw(t, b.URL(), "")
		c.Write([]byte("\x32\xff\xff\xff\x7f\x00\x05"))
		c.Close()
	}
	runtime.ReadMemStats(&after)
	most = max(most, after.HeapInuse)
	t.Logf("%d MiB of heap at most, %d before", most>>20, before.HeapInuse>>20)
	if most > before.HeapInuse+limit {
		t.Errorf("%d MiB of heap, %d before; want at most %d more", most>>20, before.HeapInuse>>20, limit>>20)
	}
	c := dialRaw(t, b.URL(), "")
	if p, _ := pack("larch-04", "n1", 0, 60); !c.publish(t, p.topic, p.body) {
		t.Error("an honest pack afterwards is not acknowledged")
	}
	l.stop()
	if st := l.committer.Status(); st.Rejected[ingest.BadPayload] == 0 {
		t.Errorf("status %+v, want refusals", st)
	}
}
