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
		if err := CheckID(level); err != nil {
			return fmt.Errorf("prefix %q: %w", prefix, err)
		}
	}
	return nil
}

// maxID is the longest dwelling or node id in bytes, this project's choice.
const maxID = 128

// CheckID says what is wrong with the id of a dwelling or node. Ids become
// levels of topics and names of files: not empty, at most 128 bytes of UTF-8,
// without "/", "\", "+", "#" and control characters, and neither "." nor "..".
func CheckID(id string) error {
	switch {
	case id == "":
		return errors.New("a dwelling or node is empty")
	case len(id) > maxID:
		return fmt.Errorf("id %q... has %d bytes; want at most %d", id[:16], len(id), maxID)
	case id == "." || id == "..":
		return fmt.Errorf("id %q cannot name a dwelling or node", id)
	case !utf8.ValidString(id):
		return fmt.Errorf("id %q is not UTF-8", id)
	}
	for _, r := range id {
		if unicode.IsControl(r) || strings.ContainsRune(`/\+#`, r) {
			return fmt.Errorf("id %q has %q in it", id, r)
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
