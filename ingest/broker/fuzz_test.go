package broker

import (
	"strings"
	"testing"
)

// matches reports whether a topic filter takes a topic, after MQTT 3.1.1
// section 4.7; written for this test, apart from what it tests.
func matches(filter, topic string) bool {
	f, t := strings.Split(filter, "/"), strings.Split(topic, "/")
	if strings.HasPrefix(topic, "$") && (f[0] == "+" || f[0] == "#") {
		return false
	}
	for i, level := range f {
		switch {
		case level == "#":
			return true
		case i == len(t):
			return false
		case level != "+" && level != t[i]:
			return false
		}
	}
	return len(f) == len(t)
}

// Whatever topic a node asks for: it writes its own two topics and no other,
// and reads nothing of another dwelling's, another node's or the broker's.
func FuzzTopicAccess(f *testing.F) {
	for _, seed := range []string{
		"greywatt/larch-04/n1/senml", "greywatt/larch-04/n1/../n2/senml", "greywatt/larch-04/n1/#", "greywatt/+/n1/senml", "#", "+/#",
		"$SYS/#", "$share/g/greywatt/larch-04/n1/#", "$share//greywatt/larch-04/n1/#", "$share/greywatt/larch-04/n1/x", "greywatt//n1/senml",
		"greywatt/larch-04/n1", "greywatt/larch-04/n1/senml\x00", "greywatt/larch-04\xff/n1/senml", "greywatt/larch-04/n1//senml", "/greywatt/larch-04/n1/senml",
	} {
		f.Add(seed)
	}
	u := &Users{byName: map[string]account{"a": {node: "larch-04/n1"}, "w": {}}}
	foreign := []string{"greywatt/larch-04/n2/senml", "greywatt/oak-01/n1/senml", "greywatt/oak-01/n1/presence", "greywatt/larch-04", "$SYS/broker/clients", "other/larch-04/n1/senml"}
	f.Fuzz(func(t *testing.T, topic string) {
		own := topic == "greywatt/larch-04/n1/senml" || topic == "greywatt/larch-04/n1/presence"
		if got := u.mayPublish("a", "greywatt", topic); got != own {
			t.Errorf("the node publishes to %q: %v", topic, got)
		}
		if u.mayPublish("w", "greywatt", topic) || u.mayPublish("nobody", "greywatt", topic) || u.maySubscribe("nobody", "greywatt", topic) {
			t.Errorf("a watcher publishes to %q, or a stranger does anything", topic)
		}
		filter := topic
		if shared, ok := strings.CutPrefix(topic, "$share/"); ok {
			_, filter, _ = strings.Cut(shared, "/")
		}
		for _, other := range foreign {
			if matches(filter, other) && u.maySubscribe("a", "greywatt", topic) {
				t.Errorf("the node reads %q through %q", other, topic)
			}
			if !strings.HasPrefix(other, "greywatt/") && matches(filter, other) && u.maySubscribe("w", "greywatt", topic) {
				t.Errorf("a watcher reads %q through %q", other, topic)
			}
		}
	})
}

// Whatever stands in a users file: it is read, or refused by its lines; and no
// error tells a password that stands there in clear.
func FuzzReadUsers(f *testing.F) {
	const hash = "$2a$04$abcdefghijklmnopqrstuuQ1i1uG0bYxLZ6v8b1vO0oM1bXn0Jm5a"
	for _, seed := range []string{"", "# x\n", "a:" + hash + ":larch-04/n1\nw:" + hash + ":watch\n", "a:secret:watch\n", "a::\n", ":::\n", "a:" + hash + ":+/#\n", "a\x00:\xff:/\n"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		u, err := ReadUsers(strings.NewReader(text))
		if (u == nil) == (err == nil) {
			t.Fatalf("users %v with error %v", u, err)
		}
		if err != nil {
			_, err := ReadUsers(strings.NewReader("probe:correct-horse-in-clear:larch-04/n1\n" + text))
			if err == nil || strings.Contains(err.Error(), "correct-horse-in-clear") {
				t.Errorf("a password in clear: %v", err)
			}
			return
		}
		for name, a := range u.byName {
			if name == "" || a.node != "" && (strings.Count(a.node, "/") != 1 || strings.ContainsAny(a.node, "+#")) {
				t.Errorf("user %q of node %q", name, a.node)
			}
		}
	})
}
