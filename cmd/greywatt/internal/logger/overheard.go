package logger

import (
	"strings"
	"sync"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/message"
	"greywatt/ingest/recipe/propose"
	"greywatt/plots/wording"
)

// overheardBytes bounds what is kept of topics that nobody takes: a few hundred
// messages show what a node sends.
const overheardBytes = 512 << 10

// overheard keeps the first messages of the broker's topics that are neither the
// study's own nor a recipe's, and proposes a recipe for them.
type overheard struct {
	mu     sync.Mutex
	heard  *propose.Heard
	began  time.Time
	topics int  // of heard, as of the last look
	stale  bool // something came since
}

func newOverheard() *overheard {
	return &overheard{heard: propose.NewHeard(overheardBytes), began: time.Now()}
}

// take notes a message. Where a proposal is being made it lets the message go:
// the broker does not wait.
func (o *overheard) take(topic string, body []byte) {
	if !o.mu.TryLock() {
		return
	}
	defer o.mu.Unlock()
	o.heard.Take(topic, body, time.Since(o.began).Seconds(), false)
	o.stale = true
}

// Topics returns how many topics hold what could be readings.
func (o *overheard) Topics() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.stale {
		o.topics, o.stale = o.heard.Topics(), false
	}
	return o.topics
}

// Propose says what a recipe for the topics would be, and what it would give of
// the messages that were heard.
func (o *overheard) Propose(study *greywatt.Study) live.Proposal {
	known := propose.Options{Zone: study.Location()}
	for _, d := range study.Dwellings {
		known.Dwellings = append(known.Dwellings, d.ID)
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	texts, doubts := o.heard.Propose(known)
	u := live.Proposal{Topics: o.heard.Topics(), Recipe: strings.Join(texts, "\n"), Doubts: doubts}
	var ready []*recipe.Recipe
	for _, text := range texts {
		if !strings.HasPrefix(text, "[[recipe]]") {
			continue
		}
		// The study's own table tells the reader that these are parts of a study file.
		rs, err := recipe.Read(strings.NewReader("[study]\n" + text))
		if err != nil {
			u.Unready = append(u.Unready, strings.ReplaceAll(err.Error(), "\n", "; "))
			continue
		}
		for _, r := range rs {
			if r.Place.Dwelling == "" {
				r.Place.Dwelling = undecided
			}
		}
		ready = append(ready, rs...)
	}
	u.Preview, u.Refused = o.preview(ready)
	return u
}

// undecided stands for the dwelling that the engineer has yet to name.
const undecided = "to-decide"

// preview reads what was heard by the recipes. The caller holds o.mu.
func (o *overheard) preview(recipes []*recipe.Recipe) (rows []live.PreviewRow, refused []string) {
	d, err := message.NewDecoder(recipes, nil)
	if err != nil {
		return nil, []string{err.Error()}
	}
	if d == nil {
		return nil, nil
	}
	type key struct {
		dwelling, node string
		channel        greywatt.Channel
	}
	of := map[key]int{} // place among rows
	told := map[string]bool{}
	now := greywatt.InstantOf(time.Now())
	o.heard.Each(func(topic string, body []byte) {
		rs, rejected, _ := d.Decode(nil, nil, topic, body, now, false)
		for _, r := range rs {
			v := r.Value
			unit := "°C"
			if r.Channel.IsFlow() {
				v, unit = v*60, "l/min"
			}
			k := key{r.Dwelling, r.Node, r.Channel}
			i, ok := of[k]
			if !ok {
				i = len(rows)
				of[k] = i
				rows = append(rows, live.PreviewRow{Dwelling: r.Dwelling, Node: r.Node, Channel: r.Channel, Unit: unit, Lowest: v, Highest: v})
			}
			row := &rows[i]
			row.Readings++
			row.Newest, row.Lowest, row.Highest = v, min(row.Lowest, v), max(row.Highest, v)
		}
		for _, r := range rejected {
			if why := r.Source + ": " + r.Detail; !told[why] && len(refused) < mostRefused {
				told[why] = true
				refused = append(refused, why)
			}
		}
	})
	if len(rows) > mostPreviewed {
		refused = append(refused, "and "+wording.Count(len(rows)-mostPreviewed, "more channel")+" that are not shown")
		rows = rows[:mostPreviewed]
	}
	return rows, refused
}

const (
	mostRefused   = 10
	mostPreviewed = 200
)
