package propose

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"greywatt/ingest/recipe"
)

// Bounds of what is kept of a broker's topics, this project's choice.
const (
	maxTopics  = 2000
	maxOfTopic = 600
	maxBody    = 64 << 10

	messageOverhead = 64   // bytes a message takes beside topic and text
	holdsS          = 60.0 // s for which a value counts beside others
	fewMessages     = 2
)

// Heard is what came over MQTT while somebody listened. Not for two goroutines.
type Heard struct {
	topics map[string]*heardTopic
	order  []string
	missed int // topics beyond those kept
	room   int // bytes that may still be kept
}

type heardTopic struct {
	bodies [][]byte
	at     []float64 // s since the beginning
}

// NewHeard returns an empty one, which keeps so many bytes of messages at most.
func NewHeard(maxBytes int) *Heard {
	return &Heard{topics: map[string]*heardTopic{}, room: maxBytes}
}

// Take notes a message, at a time in s since the beginning. One that was
// retained says what a topic looks like, and nothing of when.
func (h *Heard) Take(topic string, body []byte, at float64, retained bool) {
	size := len(topic) + len(body) + messageOverhead
	t := h.topics[topic]
	if t == nil {
		if len(h.topics) >= maxTopics || size > h.room || len(body) > maxBody {
			h.missed++
			return
		}
		t = &heardTopic{}
		h.topics[topic] = t
		h.order = append(h.order, topic)
	}
	if len(t.bodies) >= maxOfTopic || len(body) > maxBody || size > h.room {
		return
	}
	h.room -= size
	if retained {
		at = math.NaN()
	}
	t.bodies, t.at = append(t.bodies, bytes.Clone(body)), append(t.at, at)
}

// A family is topics of one shape: as many levels, the same first one, and the
// same kind of payload.
type family struct {
	payload recipe.Payload
	topics  []string
	levels  [][]string // distinct values of each level
}

var oneNumber = regexp.MustCompile(`^[^0-9]*[-+]?[0-9]+(?:[.,][0-9]+)?[^0-9]*$`)

// payloadOf says what a message holds, "" where it is no reading.
func payloadOf(body []byte) recipe.Payload {
	text := bytes.TrimSpace(body)
	if _, ok := recipe.ParseNumber(text, '.', 0); ok {
		return recipe.Number
	}
	if len(text) > 0 && (text[0] == '{' || text[0] == '[') && json.Valid(text) {
		return recipe.Object
	}
	if len(text) < 200 && utf8.Valid(text) && oneNumber.Match(text) {
		return recipe.Text
	}
	return ""
}

// Topics is the number of topics that hold what could be a reading.
func (h *Heard) Topics() (n int) {
	for _, f := range h.families() {
		n += len(f.topics)
	}
	return n
}

// Each calls do with every message that was kept, topic by topic in the order
// in which they were first heard.
func (h *Heard) Each(do func(topic string, body []byte)) {
	for _, topic := range h.order {
		for _, body := range h.topics[topic].bodies {
			do(topic, body)
		}
	}
}

func (h *Heard) families() (families []*family) {
	byKey := map[string]*family{}
	for _, topic := range h.order {
		t := h.topics[topic]
		kind := payloadOf(t.bodies[len(t.bodies)-1])
		levels := strings.Split(topic, "/")
		if kind == "" || strings.HasPrefix(topic, "$") {
			continue
		}
		key := fmt.Sprintf("%s %d %s", kind, len(levels), levels[0])
		if kind == recipe.Object {
			key += " " + levels[len(levels)-1]
		}
		f := byKey[key]
		if f == nil {
			f = &family{payload: kind, levels: make([][]string, len(levels))}
			byKey[key] = f
			families = append(families, f)
		}
		f.topics = append(f.topics, topic)
		for i, l := range levels {
			if !slices.Contains(f.levels[i], l) {
				f.levels[i] = append(f.levels[i], l)
			}
		}
	}
	return families
}

// Propose writes a recipe for each family of topics, each as a table of a study
// file, and how many points are left to decide. There is none where nothing that
// could be a reading was heard.
func (h *Heard) Propose(o Options) (recipes []string, doubts int) {
	for _, f := range h.families() {
		p := h.family(f, o)
		doubts += p.Doubts
		recipes = append(recipes, p.under("recipe"))
	}
	if h.missed > 0 {
		recipes = append(recipes, "# More topics were heard than are kept; narrow --topics for the others.\n")
	}
	return recipes, doubts
}

// under returns the proposal as one [[name]] of a study file.
func (p *Proposal) under(name string) string {
	text := p.String()
	if len(p.parts) == 0 {
		return text
	}
	text = strings.ReplaceAll(text, "\n[[channel]]\n", "\n[["+name+".channel]]\n")
	for _, t := range []string{"mqtt", "time", "place"} {
		text = strings.ReplaceAll(text, "\n["+t+"]\n", "\n["+name+"."+t+"]\n")
	}
	return "[[" + name + "]]\n" + text
}

func (h *Heard) family(f *family, o Options) *Proposal {
	messages := 0
	for _, topic := range f.topics {
		messages += len(h.topics[topic].bodies)
	}
	if f.payload == recipe.Object && h.isSenML(f) {
		return &Proposal{head: []string{
			fmt.Sprintf("SenML, which needs no recipe, comes on topics such as %s, %d in all:", oneLine(f.topics[0]), len(f.topics)),
			"let the nodes publish it to greywatt/<dwelling>/<node>/senml.",
		}}
	}
	p := &Proposal{head: []string{fmt.Sprintf("Proposed from topics such as %s, %d in all, by %d of their messages.", oneLine(f.topics[0]), len(f.topics), messages)}}
	pattern, places := f.pattern(o)
	p.open("[mqtt]")
	p.add(note{"topics", "[" + quoted(pattern) + "]", places.why, places.doubt})
	p.add(note{"payload", quoted(string(f.payload)), "", false})
	if f.payload == recipe.Object {
		h.object(p, f, o, places)
		return p
	}
	p.open("[time]")
	p.add(note{"arrival", "true", "the messages state no time", false})
	p.dwelling(places, o)
	all, seconds := h.seriesByTopic(f, places.channel)
	p.told(classify(all, seconds))
	p.channels(all)
	return p
}

// isSenML reports whether the newest message of the first topic is a SenML pack
// (RFC 8428, section 5): a list of records with their field names.
func (h *Heard) isSenML(f *family) bool {
	t := h.topics[f.topics[0]]
	var records []map[string]any
	if json.Unmarshal(t.bodies[len(t.bodies)-1], &records) != nil || len(records) == 0 {
		return false
	}
	name, value := false, false
	for _, r := range records {
		for key := range r {
			name = name || key == "n" || key == "bn"
			value = value || key == "v"
		}
	}
	return name && value
}

// places are the levels of a family's topics that are named; -1: none.
type places struct {
	dwelling, node, channel int
	why                     string
	doubt                   bool
	names                   []string // at the level of the dwelling
}

func (f *family) pattern(o Options) (string, places) {
	at := places{dwelling: -1, node: -1, channel: -1}
	var differ []int
	for i, values := range f.levels {
		known := len(values) > 0 && len(o.Dwellings) > 0 && !slices.ContainsFunc(values, func(v string) bool { return !slices.Contains(o.Dwellings, v) })
		switch {
		case known && at.dwelling < 0:
			at.dwelling, at.why = i, "the level {dwelling} holds ids of the study"
		case len(values) > 1:
			differ = append(differ, i)
		}
	}
	if f.payload != recipe.Object {
		switch n := len(differ); {
		case n > 0:
			at.channel, differ = differ[n-1], differ[:n-1]
		case len(f.levels) > 1 && at.dwelling != len(f.levels)-1:
			at.channel = len(f.levels) - 1
		}
	}
	for _, i := range differ {
		switch {
		case at.dwelling < 0:
			at.dwelling, at.doubt, at.why = i, true, "the levels differ from topic to topic; which is the dwelling is a guess"
		case at.node < 0:
			at.node = i
		}
	}
	levels := make([]string, len(f.levels))
	for i, values := range f.levels {
		switch {
		case i == at.dwelling:
			levels[i], at.names = "{dwelling}", values
		case i == at.node:
			levels[i] = "{node}"
		case i == at.channel:
			levels[i] = "{channel}"
		case len(values) == 1:
			levels[i] = values[0]
		default:
			levels[i] = "+"
		}
	}
	return strings.Join(levels, "/"), at
}

// dwelling says of which dwelling the topics are.
func (p *Proposal) dwelling(at places, o Options) {
	p.open("[place]")
	if at.dwelling < 0 {
		id, why := "", "no topic says which dwelling it is: write the study's id"
		if len(o.Dwellings) == 1 {
			id, why = o.Dwellings[0], "the only one of the study"
		}
		p.add(note{"dwelling", quoted(id), why, len(o.Dwellings) != 1})
		return
	}
	var pairs []string
	for _, name := range at.names {
		if !slices.Contains(o.Dwellings, name) {
			pairs = append(pairs, quoted(name)+" = "+quoted(idOf(name)))
		}
	}
	if len(pairs) > 0 {
		p.add(note{"dwellings", "{ " + strings.Join(pairs, ", ") + " }", "not ids of the study: write its ids on the right", true})
	}
}

// seriesByTopic makes a series of each name at a level, on a common clock, of
// the first place that has any.
func (h *Heard) seriesByTopic(f *family, level int) (all []*series, seconds []float64) {
	byName := map[string]*heardTopic{}
	var names []string
	for _, topic := range f.topics {
		name := topic
		if level >= 0 {
			name = strings.Split(topic, "/")[level]
		}
		if byName[name] == nil {
			byName[name] = h.topics[topic]
			names = append(names, name)
			seconds = append(seconds, h.topics[topic].at...)
		}
	}
	seconds = slices.DeleteFunc(seconds, func(s float64) bool { return s != s })
	slices.Sort(seconds)
	seconds = slices.Compact(seconds)
	if len(seconds) < fewMessages {
		seconds = []float64{0, 1}
	}
	for _, name := range names {
		t := byName[name]
		values := make([]float64, len(seconds))
		k, last, lastAt := 0, math.NaN(), math.Inf(-1)
		if t.at[0] != t.at[0] { // retained: it held from the beginning
			last, lastAt = numberIn(t.bodies[0]), seconds[0]
			k = 1
		}
		for i, s := range seconds {
			for ; k < len(t.at) && !(t.at[k] > s); k++ {
				last, lastAt = numberIn(t.bodies[k]), s
			}
			values[i] = last
			if s-lastAt > holdsS {
				values[i] = math.NaN()
			}
		}
		s := &series{name: name, ref: quoted(name), values: values}
		if slices.ContainsFunc(values, func(v float64) bool { return v == v }) {
			s = newSeries(name, s.ref, values)
			if u, _ := unitInHeading(string(t.bodies[0])); u != nil && s.fromHeading == nil {
				s.fromHeading = u
			}
			all = append(all, s)
		}
	}
	return all, seconds
}

var number = regexp.MustCompile(`[-+]?[0-9]+(?:[.,][0-9]+)?`)

func numberIn(body []byte) float64 {
	text := bytes.TrimSpace(body)
	v, ok := recipe.ParseNumber(text, '.', 0)
	if !ok {
		v, ok = recipe.ParseNumber(bytes.Replace(number.Find(text), []byte(","), []byte("."), 1), '.', 0)
	}
	if !ok {
		return math.NaN()
	}
	return v
}

// object proposes for messages of JSON, from those of one topic: that with the
// most.
func (h *Heard) object(p *Proposal, f *family, o Options, at places) {
	best := h.topics[f.topics[0]]
	for _, topic := range f.topics {
		if t := h.topics[topic]; len(t.bodies) > len(best.bodies) {
			best = t
		}
	}
	bodies := best.bodies
	if len(bodies) == 1 {
		bodies = append(bodies, bodies[0]) // one is enough to see what it holds
	}
	g, samples, err := linesOfJSON(string(bytes.Join(bodies, []byte("\n"))))
	if err != nil {
		p.Doubts++
		p.parts = append(p.parts, note{why: "DOUBT: " + err.Error()})
		return
	}
	if samples != "" {
		p.add(note{"samples", quoted(samples), "each message holds a list of samples there", false})
	}
	w, err := findTime(g, o.Zone)
	if err != nil {
		w = &when{seconds: make([]float64, len(g.rows))}
		for i := range w.seconds {
			w.seconds[i] = float64(i)
			if samples == "" && i < len(best.at) && best.at[i] == best.at[i] {
				w.seconds[i] = best.at[i]
			}
		}
		p.open("[time]")
		p.add(note{"arrival", "true", "no member holds a time that can be read", samples != ""})
	} else {
		p.time(g, w, o, nil)
	}
	all, seconds := seriesOf(g, w, nil)
	p.dwelling(at, o)
	p.told(classify(all, seconds))
	p.channels(all)
}

// told says how the messages could tell more.
func (p *Proposal) told(_ []float64, longest float64) {
	if longest < longRunS {
		p.head = append(p.head, fmt.Sprintf("They hold no draw of %g s or more: while somebody showers they tell more.", longRunS))
	}
}
