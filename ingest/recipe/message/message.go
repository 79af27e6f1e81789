// Package message reads what nodes of other makes publish over MQTT, by a
// recipe: plain numbers, text with a number, JSON taken apart by JSONPath
// (RFC 9535). It is pure: a topic and bytes in, readings out; only counters
// remember anything.
package message

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/go-json-experiment/json"
	"github.com/theory/jsonpath"
	"github.com/theory/jsonpath/spec"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/recipe"
)

// Levels are what a topic names.
type Levels struct{ Dwelling, Node, Channel string }

// An ObjectDecoder takes JSON apart by a recipe. It does not change.
type ObjectDecoder struct {
	recipe               *recipe.Recipe
	samples              *path // nil: the value itself
	dwelling, node, time *path // nil: not by path
	channels             []*path
}

// NewObject returns the decoder of a recipe whose values come from JSON; samples
// is the path of the samples in a value, empty where it is one itself.
func NewObject(r *recipe.Recipe, samples string) (*ObjectDecoder, error) {
	d := &ObjectDecoder{recipe: r}
	var err error
	parse := func(text string) *path {
		if text == "" || err != nil {
			return nil
		}
		var p *path
		p, err = parsePath(text)
		return p
	}
	d.samples = parse(samples)
	d.dwelling, d.node = parse(r.Place.DwellingFrom.Name), parse(r.Place.NodeFrom.Name)
	if len(r.Time.From) > 0 {
		d.time = parse(r.Time.From[0].Name)
	}
	for i := range r.Channels {
		d.channels = append(d.channels, parse(r.Channels[i].From.Name))
	}
	return d, err
}

// A path is a JSONPath; one that only names members and places of arrays is
// followed without the library, which allocates.
type path struct {
	full  *jsonpath.Path
	steps []any // string or int; nil: not of that kind
}

func parsePath(text string) (*path, error) {
	full, err := jsonpath.Parse(text)
	if err != nil {
		return nil, fmt.Errorf("%q: %w", text, err)
	}
	p := &path{full: full}
	for _, s := range full.Query().Segments() {
		if s.IsDescendant() || len(s.Selectors()) != 1 {
			return &path{full: full}, nil
		}
		switch sel := s.Selectors()[0].(type) {
		case spec.Name:
			p.steps = append(p.steps, string(sel))
		case spec.Index:
			p.steps = append(p.steps, int(sel))
		default:
			return &path{full: full}, nil
		}
	}
	return p, nil
}

// all returns the nodes that the path selects.
func (p *path) all(v any) []any {
	if p.steps == nil {
		return p.full.Select(v)
	}
	if one, ok := p.follow(v); ok {
		return []any{one}
	}
	return nil
}

// one returns the only node that the path selects; ok is false where it selects
// none, many is true where it selects several.
func (p *path) one(v any) (node any, ok, many bool) {
	if p.steps != nil {
		node, ok = p.follow(v)
		return node, ok, false
	}
	nodes := p.full.Select(v)
	switch len(nodes) {
	case 0:
		return nil, false, false
	case 1:
		return nodes[0], true, false
	}
	return nil, false, true
}

func (p *path) follow(v any) (any, bool) {
	for _, s := range p.steps {
		switch s := s.(type) {
		case string:
			m, ok := v.(map[string]any)
			if !ok {
				return nil, false
			}
			if v, ok = m[s]; !ok {
				return nil, false
			}
		case int:
			a, ok := v.([]any)
			if s < 0 {
				s += len(a)
			}
			if !ok || s < 0 || s >= len(a) {
				return nil, false
			}
			v = a[s]
		}
	}
	return v, true
}

// maxSamples bounds the samples of one message, this project's choice.
const maxSamples = 1_000_000

// Decode gives the taker what a JSON text holds. arrived is the time of
// arrival, nil where the time must come from the text. Rejected records get no
// source.
func (d *ObjectDecoder) Decode(t *recipe.Taker, levels Levels, text []byte, arrived *greywatt.Instant) {
	v, err := parse(text)
	d.decode(t, levels, v, err, text, arrived)
}

// parse reads a JSON text.
func parse(text []byte) (v any, err error) {
	err = json.Unmarshal(text, &v)
	return v, err
}

func (d *ObjectDecoder) decode(t *recipe.Taker, levels Levels, v any, err error, text []byte, arrived *greywatt.Instant) {
	if err != nil {
		t.Reject(recipe.Fault{Reason: ingest.BadPayload, Detail: "not JSON: " + strings.TrimPrefix(err.Error(), "json: ")}, "", text)
		return
	}
	samples := []any{v}
	if d.samples != nil {
		if samples = d.samples.all(v); len(samples) == 0 {
			t.Reject(recipe.Fault{Reason: ingest.BadPayload, Detail: fmt.Sprintf("no samples at %s", d.samples.full)}, "", text)
			return
		}
		if len(samples) > maxSamples {
			t.Reject(recipe.Fault{Reason: ingest.BadPayload, Detail: fmt.Sprintf("%d samples in one message; send at most %d", len(samples), maxSamples)}, "", text)
			return
		}
	}
	for _, s := range samples {
		d.sample(t, levels, v, s, text, arrived)
	}
}

// sample takes one sample. Where a path finds nothing in the sample, the whole
// value is asked: what all samples have in common stands beside them.
func (d *ObjectDecoder) sample(t *recipe.Taker, levels Levels, whole, s any, text []byte, arrived *greywatt.Instant) {
	find := func(p *path) (any, bool, bool) {
		v, ok, many := p.one(s)
		if !ok && !many && d.samples != nil {
			v, ok, many = p.one(whole)
		}
		return v, ok, many
	}
	dwelling, node := levels.Dwelling, levels.Node
	if d.dwelling != nil {
		if v, ok, _ := find(d.dwelling); ok {
			dwelling = wordOf(v)
		}
	}
	if d.node != nil {
		if v, ok, _ := find(d.node); ok {
			node = wordOf(v)
		}
	}
	series, f := t.Place([]byte(dwelling), []byte(node))
	if f != nil {
		t.Reject(*f, "", text)
		return
	}
	var at greywatt.Instant
	t.Arrived = false
	if d.time == nil {
		if arrived == nil {
			t.Reject(recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.BadTime, Detail: "nothing says when it was measured"}, "", text)
			return
		}
		at, t.Arrived = *arrived, true
	} else {
		v, ok, many := find(d.time)
		switch {
		case many:
			f = &recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.BadTime, Detail: fmt.Sprintf("several times at %s", d.time.full)}
		case ok:
			if n, isNumber := v.(float64); isNumber {
				at, f = t.TimeNumber(series, n)
			} else {
				at, f = t.Time(series, []byte(wordOf(v)))
			}
		case arrived != nil:
			at, t.Arrived = *arrived, true
		default:
			f = &recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.BadTime, Detail: fmt.Sprintf("no time at %s", d.time.full)}
		}
		if f != nil {
			t.Reject(*f, "", text)
			return
		}
	}
	for i, p := range d.channels {
		if p == nil {
			continue
		}
		v, _, many := p.one(s)
		c := &d.recipe.Channels[i]
		var number float64
		switch v := v.(type) {
		case float64:
			number = v
		case string:
			if c.IsMissing(strings.TrimSpace(v)) {
				continue
			}
			var ok bool
			if number, ok = recipe.ParseNumber([]byte(strings.TrimSpace(v)), '.', 0); !ok {
				t.Reject(recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.NoNumber, Detail: fmt.Sprintf("%s: %q is not a number", c.From, v)}, "", text)
				continue
			}
		case nil:
			if many {
				t.Reject(recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.NoNumber, Detail: fmt.Sprintf("several values at %s", c.From)}, "", text)
			}
			continue // missing or null
		default:
			t.Reject(recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.NoNumber, Detail: fmt.Sprintf("%s: %s", c.From, notNumber(v))}, "", text)
			continue
		}
		if f := t.Value(series, i, at, number); f != nil {
			t.Reject(*f, "", text)
		}
	}
}

func notNumber(v any) string {
	switch v.(type) {
	case bool:
		return "true or false is not a number"
	case []any:
		return "a list is not a number"
	}
	return "an object is not a number"
}

func wordOf(v any) string {
	switch v := v.(type) {
	case string:
		return v
	case float64:
		return strings.TrimSuffix(fmt.Sprintf("%.15g", v), ".0")
	}
	return ""
}

// A Decoder reads the messages of the topics of recipes. It may be used by any
// number of goroutines; they take turns at a recipe with counters.
type Decoder struct{ sources []*sourceDecoder }

type sourceDecoder struct {
	recipe  *recipe.Recipe
	object  *ObjectDecoder
	byTopic map[string][]int // channels by the topic's level
	mu      sync.Mutex
	taker   *recipe.Taker
}

// NewDecoder returns the decoder of the recipes that have topics, nil where none
// has. known says which dwellings the study has; nil: any.
func NewDecoder(recipes []*recipe.Recipe, known recipe.Dwellings) (*Decoder, error) {
	d := &Decoder{}
	for _, r := range recipes {
		if r.MQTT == nil {
			continue
		}
		s := &sourceDecoder{recipe: r, taker: recipe.NewTaker(r, known, "", "mqtt")}
		if r.MQTT.Payload == recipe.Object {
			var err error
			if s.object, err = NewObject(r, r.MQTT.Samples); err != nil {
				return nil, err
			}
		} else {
			s.byTopic = map[string][]int{}
			for i := range r.Channels {
				name := r.Channels[i].From.String()
				s.byTopic[name] = append(s.byTopic[name], i)
			}
		}
		d.sources = append(d.sources, s)
	}
	if len(d.sources) == 0 {
		return nil, nil
	}
	return d, nil
}

// Filters returns the topic filters of all recipes.
func (d *Decoder) Filters() []string {
	var all []string
	for _, s := range d.sources {
		for _, t := range s.recipe.MQTT.Topics {
			all = append(all, t.Filter())
		}
	}
	return all
}

// ArrivalFilters returns those of the filters whose messages may count for the
// moment they arrive.
func (d *Decoder) ArrivalFilters() []string {
	var all []string
	for _, s := range d.sources {
		if s.recipe.Time.Arrival {
			for _, t := range s.recipe.MQTT.Topics {
				all = append(all, t.Filter())
			}
		}
	}
	return all
}

// A Node is one of a dwelling.
type Node struct{ Dwelling, Node string }

// Arrivals returns the nodes of which a reading has counted for the moment it
// arrived, since its message stated no time; in order.
func (d *Decoder) Arrivals() []Node {
	var all []Node
	for _, s := range d.sources {
		s.mu.Lock()
		s.taker.Arrivals(func(dwelling, node string) { all = append(all, Node{dwelling, node}) })
		s.mu.Unlock()
	}
	slices.SortFunc(all, func(a, b Node) int {
		return cmp.Or(strings.Compare(a.Dwelling, b.Dwelling), strings.Compare(a.Node, b.Node))
	})
	return slices.Compact(all)
}

// Owner returns the dwelling and node that a topic, or the recipe for it, says
// that its readings are of; empty where the message itself says it. ok is false
// where the topic is none of the recipes'.
func (d *Decoder) Owner(topic string) (dwelling, node string, ok bool) {
	s, levels, ok := d.find(topic)
	if !ok {
		return "", "", false
	}
	p := &s.recipe.Place
	if p.DwellingFrom.IsZero() {
		dwelling = cmp.Or(p.Resolve(levels.Dwelling), p.Dwelling)
		if slices.ContainsFunc(s.recipe.Channels, func(c recipe.Channel) bool { return c.Dwelling != "" && c.Dwelling != dwelling }) {
			dwelling = ""
		}
	}
	if p.NodeFrom.IsZero() {
		node = cmp.Or(levels.Node, p.Node)
	}
	return dwelling, node, true
}

func (d *Decoder) find(topic string) (*sourceDecoder, Levels, bool) {
	for _, s := range d.sources {
		for _, t := range s.recipe.MQTT.Topics {
			if dwelling, node, channel, ok := t.Match(topic); ok {
				return s, Levels{dwelling, node, channel}, true
			}
		}
	}
	return nil, Levels{}, false
}

// Decode appends what a message holds. arrived is when it came; retained says
// that the broker had kept it, so that nobody knows how old it is. ok is false
// where the topic is none of the recipes'.
func (d *Decoder) Decode(readings []greywatt.Reading, rejected []ingest.RejectedRecord, topic string, body []byte, arrived greywatt.Instant, retained bool) (rs []greywatt.Reading, rej []ingest.RejectedRecord, ok bool) {
	s, levels, ok := d.find(topic)
	if !ok {
		return readings, rejected, false
	}
	var v any
	var err error
	if s.object != nil {
		v, err = parse(body) // most of the work, and needs no turn
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.taker
	from := len(rejected)
	t.Readings, t.Rejected, t.Now = readings, rejected, arrived
	defer func() { t.Readings, t.Rejected = nil, nil }()
	s.decode(levels, v, err, body, arrived, retained)
	for i := from; i < len(t.Rejected); i++ {
		t.Rejected[i].Source, t.Rejected[i].At = topic, arrived
	}
	return t.Readings, t.Rejected, true
}

func (s *sourceDecoder) decode(levels Levels, parsed any, wrong error, body []byte, arrived greywatt.Instant, retained bool) {
	t := s.taker
	var now *greywatt.Instant
	if s.recipe.Time.Arrival {
		if retained && len(s.recipe.Time.From) == 0 {
			t.Reject(recipe.Fault{Dwelling: s.recipe.Place.Resolve(levels.Dwelling), Reason: ingest.RetainedMessage, Detail: "the broker had kept it, and it states no time; the next message counts"}, "", body)
			return
		}
		if !retained {
			now = &arrived
		}
	}
	if s.object != nil {
		s.object.decode(t, levels, parsed, wrong, body, now)
		return
	}
	series, f := t.Place([]byte(levels.Dwelling), []byte(levels.Node))
	if f != nil {
		t.Reject(*f, "", body)
		return
	}
	channels := s.byTopic[levels.Channel]
	if len(channels) == 0 {
		t.Reject(recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.UnknownChannel, Detail: fmt.Sprintf("no channel of the recipe comes from %q", levels.Channel)}, "", body)
		return
	}
	v, why := s.number(body)
	t.Arrived = true // there is no other time
	for _, i := range channels {
		c := &s.recipe.Channels[i]
		if c.IsMissing(strings.TrimSpace(string(body))) {
			continue
		}
		if why != "" {
			t.Reject(recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.NoNumber, Detail: why}, "", body)
			continue
		}
		if now == nil {
			t.Reject(recipe.Fault{Dwelling: series.Dwelling, Reason: ingest.BadTime, Detail: "a plain number has no time; state arrival = true in the recipe's [time]"}, "", body)
			continue
		}
		if f := t.Value(series, i, *now, v); f != nil {
			t.Reject(*f, "", body)
		}
	}
}

var inText = regexp.MustCompile(`[-+]?[0-9]+(?:[.,][0-9]+)?(?:[eE][-+]?[0-9]+)?`)

// number reads the number of a message that is none but it, or the only one in
// a text.
func (s *sourceDecoder) number(body []byte) (v float64, why string) {
	text := strings.TrimSpace(string(body))
	if s.recipe.MQTT.Payload == recipe.Text {
		found := inText.FindAllString(text, 2)
		if len(found) != 1 {
			return 0, fmt.Sprintf("%d numbers in the text; one is wanted", len(found))
		}
		text = strings.Replace(found[0], ",", ".", 1)
	}
	v, ok := recipe.ParseNumber([]byte(text), '.', 0)
	if !ok {
		return 0, "not a number; payload = \"text\" takes one out of a text"
	}
	return v, ""
}
