package recipe

import (
	"fmt"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe/civil"
	"greywatt/ingest/recipe/quantity"
)

// Dwellings knows which dwellings the study has.
type Dwellings interface{ Knows(dwelling string) bool }

// A Taker turns what rows and samples say into readings by a recipe, and keeps
// what it must remember from one to the next: counters, and the times by which
// a repeated hour is told. It is for one goroutine.
//
// Readings and Rejected are what it has taken; whoever empties them has them.
type Taker struct {
	Readings []greywatt.Reading
	Rejected []ingest.RejectedRecord
	Now      greywatt.Instant // times more than a day later are refused
	Arrived  bool             // the time of what is taken is that of its arrival

	recipe         *Recipe
	known          Dwellings
	dwelling, node string // where nothing says them
	clock          *civil.Reader
	places         map[placeKey]*Series
	last           *Series
	lastKey        placeKey
	made           []placeKey        // those of places, in the order in which they came
	arrivals       map[placeKey]bool // by the study's names
}

type placeKey struct{ dwelling, node string } // as the source calls them

// A Series is the readings of one dwelling and node, with what is remembered of it.
type Series struct {
	Dwelling, Node string

	track     civil.Track
	counters  []quantity.Counter // one a channel; made when needed
	elsewhere []*Series          // of the channels that have a place of their own
	arrived   bool               // it is among the taker's arrivals
}

// Arrivals calls yield with each dwelling and node of which a reading has counted
// for the moment it arrived.
func (t *Taker) Arrivals(yield func(dwelling, node string)) {
	for k := range t.arrivals {
		yield(k.dwelling, k.node)
	}
}

// maxPlaces bounds what is remembered; beyond, all is forgotten, which costs
// each counter one interval.
const maxPlaces = 100_000

// NewTaker returns a taker of a recipe. dwelling and node are of what does not
// say them; both may be empty. known may be nil: any dwelling.
func NewTaker(r *Recipe, known Dwellings, dwelling, node string) *Taker {
	t := &Taker{recipe: r, known: known, dwelling: dwelling, node: node, places: map[placeKey]*Series{}}
	if r.Place.Dwelling != "" {
		t.dwelling = r.Place.Dwelling
	}
	if r.Place.Node != "" {
		t.node = r.Place.Node
	}
	if r.Time.Format != nil {
		t.clock = civil.NewReader(r.Time.Format, r.Time.Zone, r.Time.NewestFirst)
	}
	return t
}

// A Fault is why a row, sample or value is refused.
type Fault struct {
	Dwelling string
	Reason   ingest.Reason
	Detail   string
}

// Reject sets a record aside.
func (t *Taker) Reject(f Fault, source string, record []byte) {
	t.Rejected = append(t.Rejected, ingest.RejectedRecord{Source: source, Dwelling: f.Dwelling, Reason: f.Reason, Detail: shortened(f.Detail), Record: payload.Excerpt(record)})
}

// maxDetail is how long the words of a refusal may be, with what they quote.
const maxDetail = 1024

// shortened takes the middle out of words that quote too much.
func shortened(s string) string {
	if len(s) <= maxDetail {
		return s
	}
	return strings.ToValidUTF8(s[:maxDetail/2], "") + " … " + strings.ToValidUTF8(s[len(s)-maxDetail/4:], "")
}

// Place returns the place with the names that the source gives, empty where it
// gives none.
func (t *Taker) Place(dwelling, node []byte) (*Series, *Fault) {
	if t.last != nil && t.lastKey.dwelling == string(dwelling) && t.lastKey.node == string(node) {
		return t.last, nil
	}
	key := placeKey{string(dwelling), string(node)}
	p, ok := t.places[key]
	if !ok {
		var f *Fault
		if p, f = t.newPlace(key); f != nil {
			return nil, f
		}
		t.add(key, p)
	}
	t.last, t.lastKey = p, key
	return p, nil
}

func (t *Taker) add(key placeKey, p *Series) {
	if len(t.places) >= maxPlaces {
		clear(t.places)
		t.made = t.made[:0]
	}
	t.places[key] = p
	t.made = append(t.made, key)
}

// Counts reports whether the recipe has counters, each of whose readings depends on
// the one before.
func (r *Recipe) Counts() bool {
	return slices.ContainsFunc(r.Channels, func(c Channel) bool { return c.Counter != nil })
}

// Leant reports whether something that was taken depended on what a taker remembers
// from what it took before: counters, or a time of day that occurred twice.
func (t *Taker) Leant() bool { return t.recipe.Counts() || t.clock != nil && t.clock.Leant() }

// Follow makes t remember what it would if it had taken what later took, which did
// not lean on anything before.
func (t *Taker) Follow(later *Taker) {
	for _, key := range later.made {
		p := later.places[key]
		if q, ok := t.places[key]; ok {
			q.track.Follow(p.track)
		} else {
			t.add(key, p)
		}
	}
}

func (t *Taker) newPlace(key placeKey) (*Series, *Fault) {
	p, f := t.resolve(t.recipe.Place.Resolve(key.dwelling), key.node)
	if f != nil {
		return nil, f
	}
	p.elsewhere = make([]*Series, len(t.recipe.Channels))
	for i := range t.recipe.Channels {
		c := &t.recipe.Channels[i]
		if c.Dwelling == "" && c.Node == "" {
			continue
		}
		dwelling, node := p.Dwelling, p.Node
		if c.Dwelling != "" {
			dwelling = c.Dwelling
		}
		if c.Node != "" {
			node = c.Node
		}
		if p.elsewhere[i], f = t.resolve(dwelling, node); f != nil {
			return nil, f
		}
	}
	return p, nil
}

func (t *Taker) resolve(dwelling, node string) (*Series, *Fault) {
	if dwelling == "" {
		dwelling = t.dwelling
	}
	if node == "" {
		node = t.node
	}
	if dwelling == "" && t.everyChannelHasDwelling() {
		return &Series{Node: node}, nil
	}
	if dwelling == "" {
		return nil, &Fault{"", ingest.BadName, "nothing says which dwelling it is of; state dwelling or dwelling_from in the recipe's [place], or --dwelling ID"}
	}
	bad := payload.CheckID(dwelling)
	if t.known != nil && !t.known.Knows(dwelling) {
		named := dwelling
		if bad != nil {
			named = "" // a logger's own name, and no id
		}
		return nil, &Fault{named, ingest.UnknownDwelling, fmt.Sprintf("dwelling %q is not in the study; the recipe's dwellings can give it the study's id", dwelling)}
	}
	for _, err := range []error{bad, payload.CheckID(node)} {
		if err != nil {
			return nil, &Fault{"", ingest.BadName, err.Error()}
		}
	}
	return &Series{Dwelling: dwelling, Node: node}, nil
}

func (t *Taker) everyChannelHasDwelling() bool {
	for i := range t.recipe.Channels {
		if t.recipe.Channels[i].Dwelling == "" {
			return false
		}
	}
	return true
}

// Time reads the time that a text states.
func (t *Taker) Time(p *Series, text []byte) (greywatt.Instant, *Fault) {
	at, err := t.clock.Read(text, &p.track)
	return t.checked(p, at, err)
}

// TimeNumber reads the time that a number states.
func (t *Taker) TimeNumber(p *Series, v float64) (greywatt.Instant, *Fault) {
	at, err := t.clock.Number(v)
	return t.checked(p, at, err)
}

func (t *Taker) checked(p *Series, at greywatt.Instant, err error) (greywatt.Instant, *Fault) {
	if err != nil {
		return 0, &Fault{p.Dwelling, ingest.BadTime, "time: " + err.Error()}
	}
	if reason, detail := payload.CheckInstant(at, t.Now); reason != "" {
		return 0, &Fault{p.Dwelling, reason, detail}
	}
	return at, nil
}

// Value takes the raw number of the recipe's channel i.
func (t *Taker) Value(p *Series, i int, at greywatt.Instant, raw float64) *Fault {
	c := &t.recipe.Channels[i]
	if q := p.elsewhere[i]; q != nil {
		p = q
	}
	var v float64
	var reason ingest.Reason
	var detail string
	if c.Counter == nil {
		v, reason, detail = c.Convert(raw)
	} else {
		if p.counters == nil {
			p.counters = make([]quantity.Counter, len(t.recipe.Channels))
		}
		var ok bool
		v, ok, reason, detail = c.Count(&p.counters[i], at, raw)
		if !ok && reason == "" {
			return nil
		}
	}
	if reason != "" {
		return &Fault{p.Dwelling, reason, fmt.Sprintf("%s (%s): %s", c.From, c.Channel, detail)}
	}
	if t.Arrived && !p.arrived {
		p.arrived = true
		if t.arrivals == nil {
			t.arrivals = map[placeKey]bool{}
		}
		if len(t.arrivals) < maxPlaces {
			t.arrivals[placeKey{p.Dwelling, p.Node}] = true
		}
	}
	t.Readings = append(t.Readings, greywatt.Reading{Dwelling: p.Dwelling, Node: p.Node, Channel: c.Channel, At: at, Value: v})
	return nil
}
