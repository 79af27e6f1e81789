package payload

import (
	"strings"
	"testing"
)

func TestParseTopic(t *testing.T) {
	tests := []struct {
		prefix, topic string
		want          Topic // zero: an error
	}{
		{"greywatt", "greywatt/larch-04/n1/senml", Topic{"larch-04", "n1", SenML}},
		{"greywatt", "greywatt/larch-04/n1/presence", Topic{"larch-04", "n1", Presence}},
		{"site/a", "site/a/Larch_04.b:2/0-n/senml", Topic{"Larch_04.b:2", "0-n", SenML}},
		{"site/a", "site/a/Lärche-4/n1/senml", Topic{}},
		{"greywatt", "greywatt/larch-04/bath, left/senml", Topic{}},
		{"greywatt", "greywatt/larch-04/a\"b/senml", Topic{}},
		{"greywatt", "greywatt/larch-04/@SUM(1,2)/senml", Topic{}},
		{"greywatt", "greywatt/larch-04/=1/senml", Topic{}},
		{"greywatt", "greywatt/larch-04/-n/senml", Topic{}},
		{"greywatt", "greywatt/larch-04/n1/state", Topic{}},
		{"greywatt", "greywatt/larch-04/senml", Topic{}},
		{"greywatt", "greywatt/larch-04/n1/x/senml", Topic{}},
		{"greywatt", "greywatt//n1/senml", Topic{}},
		{"greywatt", "greywatt/larch-04//senml", Topic{}},
		{"greywatt", "greywatt/../n1/senml", Topic{}},
		{"greywatt", "greywatt/larch-04/./senml", Topic{}},
		{"greywatt", "greywatt/+/n1/senml", Topic{}},
		{"greywatt", "greywatt/larch#/n1/senml", Topic{}},
		{"greywatt", "greywatt/larch\x00/n1/senml", Topic{}},
		{"greywatt", "greywatt/larch\u0085/n1/senml", Topic{}},
		{"greywatt", "greywatt/a\\b/n1/senml", Topic{}},
		{"greywatt", "greywatt/\xff/n1/senml", Topic{}},
		{"greywatt", "greywatt/" + strings.Repeat("x", maxID+1) + "/n1/senml", Topic{}},
		{"greywatt", "greywatt2/larch-04/n1/senml", Topic{}},
		{"greywatt", "larch-04/n1/senml", Topic{}},
		{"greywatt", "", Topic{}},
	}
	for _, tt := range tests {
		got, err := ParseTopic(tt.prefix, tt.topic)
		if got != tt.want || (err != nil) != (tt.want == Topic{}) {
			t.Errorf("%q: %+v, %v; want %+v", tt.topic, got, err, tt.want)
		}
		if err == nil && got.In(tt.prefix) != tt.topic {
			t.Errorf("%q comes back as %q", tt.topic, got.In(tt.prefix))
		}
	}
}

func TestCheckPrefix(t *testing.T) {
	for _, ok := range []string{DefaultPrefix, "site/greywatt"} {
		if err := CheckPrefix(ok); err != nil {
			t.Errorf("%q: %v", ok, err)
		}
	}
	for _, bad := range []string{"", "/greywatt", "greywatt/", "a//b", "a/+/b", "a/#", "$SYS", "$share/x", ".."} {
		if CheckPrefix(bad) == nil {
			t.Errorf("%q is accepted", bad)
		}
	}
}

func TestFilter(t *testing.T) {
	if got := SenML.Filter("a/b"); got != "a/b/+/+/senml" {
		t.Error(got)
	}
	if got := Presence.Filter(DefaultPrefix); got != "greywatt/+/+/presence" {
		t.Error(got)
	}
}

func TestParsePresence(t *testing.T) {
	for payload, want := range map[string]bool{"up": true, "down": false} {
		if up, err := ParsePresence([]byte(payload)); up != want || err != nil {
			t.Errorf("%q: %v, %v", payload, up, err)
		}
	}
	for _, bad := range []string{"", "UP", "online", "up\n"} {
		if _, err := ParsePresence([]byte(bad)); err == nil {
			t.Errorf("%q is accepted", bad)
		}
	}
}
