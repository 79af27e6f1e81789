package payload

import (
	"fmt"
	"strings"
	"sync/atomic"

	"greywatt"
	"greywatt/ingest"
)

// MappedNode is the node of a sensor of which the study file states the SenML
// name but no node. It does not depend on the topic, so that the same reading
// is the same whether it came over the air or from a file.
const MappedNode = "mapped"

// A Resolver knows which dwelling, node and channel a SenML name means. Any number
// of decoders may share it, also while [Resolver.Update] gives it another study.
type Resolver struct{ names atomic.Pointer[studyNames] }

// studyNames are the names of a study. They do not change.
type studyNames struct {
	dwellings map[string]bool // nil: any
	sensors   map[string]*target
}

// A target is what a name means.
type target struct {
	dwelling, node string
	channel        greywatt.Channel
}

// NewResolver returns the resolver of a study: its dwellings are the only ones
// known, and the SenML names that it states for sensors mean those sensors. With
// a nil study any dwelling is accepted.
func NewResolver(study *greywatt.Study) *Resolver {
	r := &Resolver{}
	r.Update(study)
	return r
}

// Update gives the resolver another study. Packs that are being decoded may still
// be read by the one before.
func (r *Resolver) Update(study *greywatt.Study) {
	names := &studyNames{}
	if study != nil {
		names = namesOf(study)
	}
	r.names.Store(names)
}

func namesOf(study *greywatt.Study) *studyNames {
	r := &studyNames{dwellings: map[string]bool{}, sensors: map[string]*target{}}
	for i := range study.Dwellings {
		d := &study.Dwellings[i]
		r.dwellings[d.ID] = true
		for _, s := range d.Sensors {
			if s.Name == "" {
				continue
			}
			node := s.Node
			if node == "" {
				node = MappedNode
			}
			r.sensors[s.Name] = &target{d.ID, node, s.Channel}
		}
	}
	return r
}

// Knows reports whether readings of the dwelling are accepted.
func (r *Resolver) Knows(dwelling string) bool { return r.names.Load().knows(dwelling) }

func (r *studyNames) knows(dwelling string) bool { return r.dwellings == nil || r.dwellings[dwelling] }

// resolve returns what a resolved name (RFC 8428 section 4.5.1) means when it
// comes from o.
func (r *studyNames) resolve(o Origin, name string) (*target, *fault) {
	if why := checkName(name); why != "" {
		return nil, &fault{ingest.BadName, o.Dwelling, "name " + quote(name[:min(len(name), MaxName)]) + " " + why}
	}
	if t, ok := r.sensors[name]; ok {
		return t, nil
	}
	t := &target{dwelling: o.Dwelling, node: o.Node}
	var channel string
	switch parts := strings.Split(name, "/"); {
	case len(parts) == 1 && (o.Dwelling == "" || o.Node == ""):
		return nil, &fault{ingest.BadName, o.Dwelling, "name " + quote(name) + " says neither dwelling nor node; want <dwelling>/<node>/<channel>"}
	case len(parts) == 1:
		channel = parts[0]
	case len(parts) == 3:
		t.dwelling, t.node, channel = parts[0], parts[1], parts[2]
		if f := checkPlace(o, t); f != nil {
			return nil, f
		}
	default:
		return nil, &fault{ingest.UnknownChannel, o.Dwelling, "name " + quote(name) + " is no sensor's in the study file, nor <dwelling>/<node>/<channel>"}
	}
	if !r.knows(t.dwelling) {
		return nil, &fault{ingest.UnknownDwelling, t.dwelling, "dwelling " + quote(t.dwelling) + " is not in the study"}
	}
	c, ok := greywatt.ParseChannel(channel)
	if !ok {
		return nil, &fault{ingest.UnknownChannel, t.dwelling, "no channel is called " + quote(channel) + "; want one of " + channelList}
	}
	t.channel = c
	return t, nil
}

// checkPlace says what is wrong with the dwelling and node of a full name that
// comes from o.
func checkPlace(o Origin, t *target) *fault {
	for _, id := range []string{t.dwelling, t.node} {
		if err := CheckID(id); err != nil {
			return &fault{ingest.BadName, o.Dwelling, err.Error()}
		}
	}
	if o.OwnNames && (t.dwelling != o.Dwelling || t.node != o.Node) {
		return &fault{ingest.WrongTopic, o.Dwelling, fmt.Sprintf(
			"names %s/%s, and came under the topic of %s/%s; a node writes only under its own", t.dwelling, t.node, o.Dwelling, o.Node)}
	}
	return nil
}

var channelList = func() string {
	names := make([]string, greywatt.NumChannels)
	for c := range names {
		names[c] = greywatt.Channel(c).String()
	}
	return strings.Join(names, ", ")
}()

// checkName says what is wrong with a resolved name, after RFC 8428 section
// 4.5.1: letters, digits and - : . / _, the first a letter or digit.
func checkName(name string) string {
	switch {
	case name == "":
		return "is empty; want <dwelling>/<node>/<channel>"
	case len(name) > MaxName:
		return fmt.Sprintf("... has %d bytes; want at most %d", len(name), MaxName)
	}
	for i := range len(name) {
		switch c := name[i]; {
		case 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9':
		case i == 0:
			return "begins with something else than a letter or digit"
		case c == '-' || c == ':' || c == '.' || c == '/' || c == '_':
		default:
			return fmt.Sprintf("has %q in it; want letters, digits and - : . / _", []rune(name[i:])[0])
		}
	}
	return ""
}

// maxCached bounds the names that a decoder remembers: 7 channels of about
// 16 000 nodes. When they are more, it forgets all and starts again.
const maxCached = 1 << 17

// A nameCache remembers what names meant. A pack repeats the same few names in
// the same order, so the name after the last one found is tried first.
type nameCache struct {
	resolver *Resolver
	names    *studyNames // of which the names are remembered
	origin   Origin
	bases    map[string]*baseNames
	size     int
	base     *baseNames // of the origin and base name at hand; nil: not looked up yet
	key      []byte
}

// baseNames are the names that came under one origin and base name.
type baseNames struct {
	known []knownName
	index map[string]int // n's place in known
	next  int
}

type knownName struct {
	n      string
	target *target
}

// start begins a pack.
func (c *nameCache) start(o Origin) {
	c.origin = o
	c.base = nil
	if names := c.resolver.names.Load(); names != c.names { // another study: what is remembered may mean something else
		c.names, c.bases, c.size = names, nil, 0
	}
}

// rebase says that the base name has changed.
func (c *nameCache) rebase() { c.base = nil }

// lookup returns what the name bn+n means.
func (c *nameCache) lookup(bn, n []byte) (*target, *fault) {
	if c.base == nil {
		c.base = c.find(bn)
	}
	b := c.base
	if b.next == len(b.known) {
		b.next = 0
	}
	if b.next < len(b.known) && b.known[b.next].n == string(n) {
		b.next++
		return b.known[b.next-1].target, nil
	}
	if i, ok := b.index[string(n)]; ok {
		b.next = i + 1
		return b.known[i].target, nil
	}

	// What is far too long is cut before it is copied, and refused all the same.
	name := string(bn[:min(len(bn), MaxName+1)]) + string(n[:min(len(n), MaxName+1)])
	t, f := c.names.resolve(c.origin, name)
	if f == nil && c.size < maxCached { // wrong names are not remembered: there is no end of them
		b.index[string(n)] = len(b.known)
		b.known = append(b.known, knownName{string(n), t})
		b.next = len(b.known)
		c.size++
	}
	return t, f
}

// find returns what is remembered under bn.
func (c *nameCache) find(bn []byte) *baseNames {
	c.key = append(c.key[:0], c.origin.Dwelling...)
	c.key = append(c.key, 0)
	c.key = append(c.key, c.origin.Node...)
	c.key = append(c.key, 0)
	if c.origin.Stored {
		c.key = append(c.key, 1)
	}
	c.key = append(c.key, bn[:min(len(bn), MaxName+1)]...)
	b := c.bases[string(c.key)]
	if b == nil {
		if c.size >= maxCached || c.bases == nil {
			c.bases = map[string]*baseNames{}
			c.size = 0
		}
		b = &baseNames{index: map[string]int{}}
		c.bases[string(c.key)] = b
		c.size++
	}
	return b
}
