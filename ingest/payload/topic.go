package payload

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// DefaultPrefix is the first level of the topics unless another is set.
const DefaultPrefix = "greywatt"

// A Kind is what a topic carries.
type Kind uint8

// The kinds of topic, named by their last level.
const (
	SenML    Kind = iota + 1 // packs of readings
	Presence                 // "up" or "down", retained
)

// String returns the topic's last level.
func (k Kind) String() string {
	switch k {
	case SenML:
		return "senml"
	case Presence:
		return "presence"
	}
	return fmt.Sprintf("kind(%d)", uint8(k))
}

// A Topic is where a node publishes.
type Topic struct {
	Dwelling, Node string
	Kind           Kind
}

// In returns the topic's name under a prefix, <prefix>/<dwelling>/<node>/<kind>.
func (t Topic) In(prefix string) string {
	return prefix + "/" + t.Dwelling + "/" + t.Node + "/" + t.Kind.String()
}

// Filter returns the topic filter that matches this kind of every node.
func (k Kind) Filter(prefix string) string { return prefix + "/+/+/" + k.String() }

// ParseTopic takes apart <prefix>/<dwelling>/<node>/senml or .../presence.
func ParseTopic(prefix, topic string) (Topic, error) {
	rest, ok := strings.CutPrefix(topic, prefix+"/")
	if !ok {
		return Topic{}, fmt.Errorf("topic %q: does not begin with %q", topic, prefix+"/")
	}
	levels := strings.Split(rest, "/")
	if len(levels) != 3 {
		return Topic{}, fmt.Errorf("topic %q: want %s/<dwelling>/<node>/senml or .../presence", topic, prefix)
	}
	t := Topic{Dwelling: levels[0], Node: levels[1]}
	switch levels[2] {
	case "senml":
		t.Kind = SenML
	case "presence":
		t.Kind = Presence
	default:
		return Topic{}, fmt.Errorf("topic %q: ends in %q; want senml or presence", topic, levels[2])
	}
	for _, id := range levels[:2] {
		if err := CheckID(id); err != nil {
			return Topic{}, fmt.Errorf("topic %q: %w", topic, err)
		}
	}
	return t, nil
}

// CheckPrefix says what is wrong with a prefix: it must be one or more topic
// levels without wildcards, none empty, the first without a leading "$" (those
// are the broker's own).
func CheckPrefix(prefix string) error {
	if strings.HasPrefix(prefix, "$") {
		return fmt.Errorf("prefix %q: topics that begin with $ belong to the broker", prefix)
	}
	for level := range strings.SplitSeq(prefix, "/") {
		if err := checkLevel(level); err != nil {
			return fmt.Errorf("prefix %q: %w", prefix, err)
		}
	}
	return nil
}

// maxID is the longest dwelling or node id in bytes, this project's choice.
const maxID = 128

// CheckID says what is wrong with the id of a dwelling or node: 1 to 128
// letters, digits and - _ . : with a letter or digit first. It is the alphabet of
// SenML names (RFC 8428 section 4.5.1) without "/". Such an id is a level of a
// topic, a name of a file, and a cell of a table that is no formula and needs no
// quotes.
func CheckID(id string) error {
	switch {
	case id == "":
		return errors.New("a dwelling or node is empty")
	case len(id) > maxID:
		return fmt.Errorf("id %q... has %d bytes; want at most %d", id[:16], len(id), maxID)
	}
	for i, r := range id {
		switch {
		case 'a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' || '0' <= r && r <= '9':
		case i > 0 && strings.ContainsRune("-_.:", r):
		default:
			return fmt.Errorf("id %q: want letters a-z, A-Z, digits and - _ . : with a letter or digit first", id)
		}
	}
	return nil
}

// checkLevel says what is wrong with a level of a topic.
func checkLevel(level string) error {
	switch {
	case level == "":
		return errors.New("a level is empty")
	case level == "." || level == "..":
		return fmt.Errorf("level %q", level)
	case !utf8.ValidString(level):
		return fmt.Errorf("level %q is not UTF-8", level)
	}
	for _, r := range level {
		if unicode.IsControl(r) || strings.ContainsRune(`/\+#`, r) {
			return fmt.Errorf("level %q has %q in it", level, r)
		}
	}
	return nil
}

// ParsePresence reads the payload of a presence topic.
func ParsePresence(data []byte) (up bool, err error) {
	switch string(data) {
	case "up":
		return true, nil
	case "down":
		return false, nil
	}
	return false, fmt.Errorf("presence %q: want up or down", Excerpt(data))
}
