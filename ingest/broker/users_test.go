package broker

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/crypto/bcrypt"
)

func hash(t *testing.T, password string) string {
	t.Helper()
	h, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	return string(h)
}

// users are two nodes and a watcher; everyone's password is the name and "-pw".
func users(t *testing.T) *Users {
	t.Helper()
	text := "# who may connect\n\n"
	for _, u := range []string{"a:larch-04/n1", "b:oak-01/n1", "w:watch"} {
		name, role, _ := strings.Cut(u, ":")
		text += fmt.Sprintf("%s:%s:%s\n", name, hash(t, name+"-pw"), role)
	}
	u, err := ReadUsers(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func as(o *paho.ClientOptions, user string) *paho.ClientOptions {
	return o.SetUsername(user).SetPassword(user + "-pw")
}

func TestConnectAccess(t *testing.T) {
	b := listen(t, Config{Sink: newSink(), Users: users(t)})
	connect(t, as(options(b, "of-b").SetCleanSession(false), "b"))
	tests := []struct {
		name string
		with func(*paho.ClientOptions)
		ok   bool
	}{
		{"right", func(o *paho.ClientOptions) { as(o, "a") }, true},
		{"anonymous", func(o *paho.ClientOptions) {}, false},
		{"unknown", func(o *paho.ClientOptions) { as(o, "c") }, false},
		{"wrong password", func(o *paho.ClientOptions) { o.SetUsername("a").SetPassword("b-pw") }, false},
		{"own will", func(o *paho.ClientOptions) { as(o, "a").SetWill("greywatt/larch-04/n1/presence", "down", 1, true) }, true},
		{"another's will", func(o *paho.ClientOptions) { as(o, "a").SetWill("greywatt/oak-01/n1/presence", "down", 1, true) }, false},
		{"a watcher's will", func(o *paho.ClientOptions) { as(o, "w").SetWill("greywatt/oak-01/n1/presence", "down", 1, true) }, false},
		{"another's session", func(o *paho.ClientOptions) { as(o, "a").SetClientID("of-b") }, false},
		{"the broker's own id", func(o *paho.ClientOptions) { as(o, "a").SetClientID("inline") }, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			o := options(b, "probe")
			tt.with(o)
			c := paho.NewClient(o)
			err := wait(c.Connect())
			if c.IsConnected() {
				c.Disconnect(200)
			}
			if (err == nil) != tt.ok {
				t.Errorf("connect: %v, want ok = %v", err, tt.ok)
			}
		})
	}
}

func TestTopicAccess(t *testing.T) {
	tests := []struct {
		user, topic        string
		publish, subscribe bool
	}{
		{"a", "greywatt/larch-04/n1/senml", true, false},
		{"a", "greywatt/larch-04/n1/presence", true, false},
		{"a", "greywatt/larch-04/n1/orders", false, false},
		{"a", "greywatt/larch-04/n1/#", false, false},
		{"a", "greywatt/larch-04/n2/senml", false, false},
		{"a", "greywatt/larch-04/n11/senml", false, false},
		{"a", "greywatt/oak-01/n1/senml", false, false},
		{"a", "greywatt/larch-04/n1/../n2/senml", false, false},
		{"a", "greywatt/+/n1/senml", false, false},
		{"a", "#", false, false},
		{"a", "$SYS/broker/uptime", false, false},
		{"w", "greywatt/larch-04/n1/senml", false, true},
		{"w", "greywatt/+/+/senml", false, true},
		{"w", "$share/g/greywatt/+/+/senml", false, true},
		{"w", "$share/g/other/+/+/senml", false, false},
		{"w", "$share/greywatt/", false, false},
		{"w", "#", false, false},
	}
	u := users(t)
	for _, tt := range tests {
		if got := u.mayPublish(tt.user, "greywatt", tt.topic); got != tt.publish {
			t.Errorf("%s publishes to %s: %v, want %v", tt.user, tt.topic, got, tt.publish)
		}
		if got := u.maySubscribe(tt.user, "greywatt", tt.topic); got != tt.subscribe {
			t.Errorf("%s subscribes to %s: %v, want %v", tt.user, tt.topic, got, tt.subscribe)
		}
	}
}

// The rules hold on the wire, too.
func TestNodePublishesOnlyItsOwn(t *testing.T) {
	sink := newSink()
	b := listen(t, Config{Sink: sink, Users: users(t)})
	lost := make(chan error, 1)
	c := connect(t, as(options(b, "n1"), "a").SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err }))
	tok := c.Publish("greywatt/larch-04/n1/senml", 1, false, "mine")
	receive(t, "message", sink.offered)
	sink.commit()
	if err := wait(tok); err != nil {
		t.Error(err)
	}
	sub := c.Subscribe("greywatt/oak-01/n1/senml", 1, nil).(*paho.SubscribeToken)
	// MQTT 3.1.1 section 3.9.3, from memory: 0x80 is failure.
	if err := wait(sub); err != nil || sub.Result()["greywatt/oak-01/n1/senml"] != 0x80 {
		t.Errorf("subscribing to another dwelling's readings: %v, %v; want it refused", sub.Result(), err)
	}
	c.Publish("greywatt/oak-01/n1/senml", 1, false, "not mine")
	receive(t, "end of the connection", lost)
	if st := b.Status(); st.Messages != 1 || st.Denied != 2 {
		t.Errorf("status %+v, want one message and two refusals", st)
	}
}

func TestReadUsersReportsEveryLine(t *testing.T) {
	h := hash(t, "x")
	text := strings.Join([]string{
		"a:" + h + ":larch-04/n1",
		"b:" + h,
		"c:plainsecret:larch-04/n1",
		"a:" + h + ":larch-04/n2",
		"d:" + h + ":larch-04",
		"e:" + h + ":larch-04/n1/x",
		"f:" + h + ":+/n1",
		":" + h + ":watch",
	}, "\n")
	_, err := ReadUsers(strings.NewReader(text))
	if err == nil {
		t.Fatal("no error")
	}
	for line := 2; line <= 8; line++ {
		if !strings.Contains(err.Error(), fmt.Sprintf("line %d: ", line)) {
			t.Errorf("line %d is not reported:\n%v", line, err)
		}
	}
	if strings.Contains(err.Error(), "plainsecret") || strings.Contains(err.Error(), "line 1:") {
		t.Errorf("quotes a password, or faults a right line:\n%v", err)
	}
	if _, err := ReadUsers(strings.NewReader("# nobody\n")); err == nil {
		t.Error("a file without users is taken")
	}
	if _, err := ReadUsers(failingReader{}); !errors.Is(err, errRead) {
		t.Errorf("%v, want the reader's error", err)
	}
}

var errRead = errors.New("disk gone")

type failingReader struct{}

func (failingReader) Read([]byte) (int, error) { return 0, errRead }

func TestHashPassword(t *testing.T) {
	h, err := HashPassword("open sesame")
	if err != nil {
		t.Fatal(err)
	}
	u, err := ReadUsers(strings.NewReader("a:" + h + ":watch"))
	if err != nil || !u.check("a", []byte("open sesame")) || u.check("a", []byte("open says me")) {
		t.Errorf("the hash does not admit its password, and no other: %v", err)
	}
	for _, bad := range []string{"", strings.Repeat("x", 73)} {
		if _, err := HashPassword(bad); err == nil {
			t.Errorf("a password of %d bytes is taken", len(bad))
		}
	}
}

type otherTopics map[string][2]string

func (o otherTopics) Owner(topic string) (dwelling, node string, ok bool) {
	at, ok := o[topic]
	return at[0], at[1], ok
}

// A node may publish to other topics that name its dwelling, and its node where
// they name one.
func TestMayPublishOther(t *testing.T) {
	hash, err := HashPassword("secret")
	if err != nil {
		t.Fatal(err)
	}
	u, err := ReadUsers(strings.NewReader("a:" + hash + ":larch-04/n1\nw:" + hash + ":watch\n"))
	if err != nil {
		t.Fatal(err)
	}
	others := otherTopics{"own": {"larch-04", ""}, "own/n1": {"larch-04", "n1"}, "own/n2": {"larch-04", "n2"}, "other": {"larch-05", "n1"}, "open": {"", ""}}
	for topic, want := range map[string]bool{"own": true, "own/n1": true, "own/n2": false, "other": false, "open": false, "unheard": false} {
		if got := u.mayPublishOther("a", others, topic); got != want {
			t.Errorf("%s: %v, want %v", topic, got, want)
		}
		if u.mayPublishOther("w", others, topic) || u.mayPublishOther("nobody", others, topic) {
			t.Errorf("%s: a watcher or a stranger may publish", topic)
		}
	}
}
