package live

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"greywatt"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// A Log has what was logged.
type Log interface {
	// Nodes says what there is of each node.
	Nodes(ctx context.Context) ([]store.NodeSummary, error)
	// Presences says which nodes are connected.
	Presences(ctx context.Context) ([]store.Presence, error)
	// Frames returns a dwelling's frames from from to before to, in order; zero
	// bounds are none. A [*store.CorruptError] stands for a part that is lost.
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// An Aside has what was not taken into the log.
type Aside interface {
	RefusalCounts(ctx context.Context) ([]store.RefusalCount, error)
	Refusals(ctx context.Context, limit int) ([]greywatt.Refusal, error)
	Conflicts(ctx context.Context, limit int) ([]store.Conflict, error)
}

// A Link is how the logger is connected to its nodes.
type Link struct {
	Where      string // URL of the broker
	Topics     string // that nodes publish to, as in greywatt/<dwelling>/<node>/senml
	Connected  bool
	Since      time.Time // of the connection or of its loss; zero where not known
	Reconnects int64     // connections made after the first
	Trouble    string    // why there is none
	Clients    int       // of the logger's own broker; -1 with another
}

// A Config says what to show. Study, Log and Aside are needed.
type Config struct {
	Study    *greywatt.Study
	Log      Log
	Aside    Aside
	Ingest   func() mqttsource.Status // how logging fares; nil: nothing is being logged
	Link     func() Link              // nil likewise
	Password string                   // asked of everyone; empty: of nobody
	Version  string                   // of the program
	Logger   *slog.Logger             // nil: none
	Now      func() time.Time         // nil: time.Now
	Viewers  int                      // pages that may be followed at once; 100 if 0
}

// A Page is a study's page. Its methods may be called from any goroutine.
type Page struct {
	cfg       Config
	feed      *feed
	dwellings []*dwelling // in the study's order
	byID      map[string]*dwelling
	board     board
	access    *access
	metrics   *metrics
	traces    traceCache
	rooms     chan struct{} // one for each viewer that may still come
	wholes    chan struct{} // one for each analysis of a whole log that may run
	steps     chan struct{} // one for each of what is new
	stop      context.CancelFunc
	stopped   context.Context // ends the streams

	trouble atomic.Pointer[string] // why the log cannot be read
	flood   atomic.Int64           // readings committed in this second
	busy    atomic.Bool            // readings come in faster than the page should compete with
}

// New returns the page of a study. [Page.Run] makes it follow the log.
func New(cfg Config) *Page {
	if cfg.Study == nil || cfg.Log == nil || cfg.Aside == nil {
		panic("live: New wants a study, its log and what was set aside")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	cfg.Viewers = cmp.Or(cfg.Viewers, 100)
	p := &Page{
		cfg:   cfg,
		feed:  newFeed(),
		byID:  map[string]*dwelling{},
		rooms: make(chan struct{}, cfg.Viewers),
		// Half of the processors are the logger's, but for what takes a moment.
		wholes: make(chan struct{}, max(1, runtime.GOMAXPROCS(0)/2)),
		steps:  make(chan struct{}, max(1, runtime.GOMAXPROCS(0)/2)),
	}
	p.stopped, p.stop = context.WithCancel(context.Background())
	p.access = newAccess(cfg.Password, cfg.Now)
	for i := range cfg.Study.Dwellings {
		d := newDwelling(&cfg.Study.Dwellings[i])
		p.dwellings = append(p.dwellings, d)
		p.byID[d.ID] = d
	}
	p.board.rows = make([]posted, len(p.dwellings))
	p.metrics = newMetrics(p)
	return p
}

// Committed shows readings that are on disk. took is what the commit took. It
// is called by the logger, and neither waits nor keeps rs.
func (p *Page) Committed(rs []greywatt.Reading, took time.Duration) {
	p.metrics.commit.Observe(took.Seconds())
	p.flood.Add(int64(len(rs)))
	p.feed.put(rs)
}

// lookEvery is how often the log is looked at for what is new.
const lookEvery = time.Second

// floodReadings a second are more than any study's nodes send unless they are
// catching up: then the analysis holds back. It is this project's choice, a
// tenth of what the logger takes on two cores.
const floodReadings = 20_000

// Run follows the log until ctx ends, and then ends the streams. It returns nil:
// what goes wrong with the log is shown, written to the logger, and tried again.
func (p *Page) Run(ctx context.Context) error {
	var work sync.WaitGroup
	defer work.Wait()
	defer p.stop()
	work.Go(func() { p.show(ctx) })
	for _, d := range p.dwellings {
		f := newFollower(p, d)
		work.Go(func() { f.run(ctx) })
	}
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		p.busy.Store(p.flood.Swap(0) > floodReadings)
		p.look(ctx)
		p.post()
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// show passes committed readings to the dwellings until ctx ends.
func (p *Page) show(ctx context.Context) {
	for {
		select {
		case rs := <-p.feed.full:
			p.spread(rs)
			p.feed.free <- rs
		case <-ctx.Done():
			return
		}
	}
}

func (p *Page) spread(rs []greywatt.Reading) {
	for len(rs) > 0 {
		n := 1
		for n < len(rs) && rs[n].Dwelling == rs[0].Dwelling {
			n++
		}
		if d := p.byID[rs[0].Dwelling]; d != nil {
			d.take(rs[:n])
		}
		rs = rs[n:]
	}
}

// look asks the log how far the readings reach and which nodes are up, and
// wakes those who have work.
func (p *Page) look(ctx context.Context) {
	nodes, err := p.cfg.Log.Nodes(ctx)
	var presences []store.Presence
	if err == nil {
		presences, err = p.cfg.Log.Presences(ctx)
	}
	if err != nil {
		p.fail(ctx, fmt.Errorf("the log cannot be read: %w", err))
		return
	}
	p.trouble.Store(nil)
	of := map[string]*holdings{}
	for _, n := range nodes {
		h := of[n.Dwelling]
		if h == nil {
			h = &holdings{}
			of[n.Dwelling] = h
		}
		h.readings += n.Readings
		h.newest = max(h.newest, n.Last)
		h.nodes = append(h.nodes, node{NodeSummary: n})
	}
	for _, presence := range presences {
		h := of[presence.Dwelling]
		if h == nil {
			continue // erased between the two questions
		}
		for i := range h.nodes {
			if h.nodes[i].Node == presence.Node {
				h.nodes[i].heard, h.nodes[i].up, h.nodes[i].since = true, presence.Up, presence.Since
			}
		}
	}
	now := p.cfg.Now()
	for _, d := range p.dwellings {
		if h := of[d.ID]; h != nil {
			d.hold(*h, now)
		} else {
			d.hold(holdings{}, now)
		}
	}
}

// fail notes that the log cannot be read.
func (p *Page) fail(ctx context.Context, err error) {
	if ctx.Err() != nil || errors.Is(err, context.Canceled) {
		return
	}
	text := err.Error()
	if old := p.trouble.Swap(&text); old == nil || *old != text {
		p.cfg.Logger.Error("the page cannot follow the log; logging goes on", "error", err)
	}
}
