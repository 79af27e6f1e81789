package logger

import (
	"context"
	"crypto/rand"
	"log/slog"
	"strings"
	"sync"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/message"
	"greywatt/ingest/recipe/propose"
	"greywatt/ingest/retry"
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
func (o *overheard) take(topic string, body []byte) { o.note(topic, body, false) }

func (o *overheard) note(topic string, body []byte, retained bool) {
	if !o.mu.TryLock() {
		return
	}
	defer o.mu.Unlock()
	o.heard.Take(topic, body, time.Since(o.began).Seconds(), retained)
	o.stale = true
}

// An ear listens to all topics of another broker, beside the session that logs, and
// keeps what nobody takes. It takes turns: where the broker is busy, most of what it
// would send is the study's own, a second time.
type ear struct {
	heard      *overheard
	broker     mqttsource.Config
	taken      func(topic string) bool // by the study or a recipe
	log        *slog.Logger
	turn, rest time.Duration
	least      time.Duration // between attempts
	messages   int           // of a turn, at most
	bytes      int
}

// newEar listens for ten minutes, or for as much as a link does not notice, and then
// rests for a quarter of an hour: this project's choice.
func newEar(heard *overheard, cfg mqttsource.Config, taken func(string) bool, log *slog.Logger) *ear {
	cfg.ClientID = "greywatt-ear-" + strings.ToLower(rand.Text()[:8])
	cfg.Group = ""
	return &ear{heard: heard, broker: cfg, taken: taken, log: log, turn: 10 * time.Minute, rest: 15 * time.Minute, least: 10 * time.Second, messages: 20_000, bytes: 16 << 20}
}

// run listens until ctx ends. That the broker does not want it is logged once:
// logging does not depend on it.
func (e *ear) run(ctx context.Context) {
	told := ""
	again := retry.Backoff{Least: e.least, Most: e.rest}
	for ctx.Err() == nil {
		full, err := e.listen(ctx)
		wait := e.rest
		switch {
		case ctx.Err() != nil:
			return
		case err == nil:
			again.Reset()
			told = ""
			if !full {
				continue
			}
		default:
			wait = again.Step()
			if told != err.Error() {
				told = err.Error()
				e.log.Info("topics that the study does not have are not heard for now", "error", err)
			}
		}
		if !retry.Sleep(ctx, wait) {
			return
		}
	}
}

// listen takes a turn, and reports whether it ended by what was heard.
func (e *ear) listen(ctx context.Context) (full bool, err error) {
	turn, end := context.WithTimeout(ctx, e.turn)
	defer end()
	messages, bytes := 0, 0
	err = mqttsource.Overhear(turn, e.broker, []string{"#"}, func(topic string, body []byte, retained bool) {
		messages, bytes = messages+1, bytes+len(body)
		if messages >= e.messages || bytes >= e.bytes {
			full = true
			end()
		}
		if !e.taken(topic) {
			e.heard.note(topic, body, retained)
		}
	})
	return full, err
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
