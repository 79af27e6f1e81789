package live

import (
	"cmp"
	"context"
	"iter"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
	"greywatt/ingest/mqttsource"
)

// A Log has the readings around an event, for its chart.
type Log interface {
	// Frames returns a dwelling's frames from from to before to, in order; zero
	// bounds are none. A [*ingest.CorruptError] stands for a part that is lost.
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// A RejectedLog holds the records that were rejected and the readings in conflict.
type RejectedLog interface {
	RejectedCounts(ctx context.Context) ([]ingest.RejectedCount, error)
	Rejected(ctx context.Context, limit int) ([]ingest.RejectedRecord, error)
	Conflicts(ctx context.Context, limit int) ([]ingest.Conflict, error)
}

// A Link is how the logger is connected to its nodes.
type Link struct {
	Where      string // URL of the broker
	Topics     string // that nodes publish to, as in greywatt/<dwelling>/<node>/senml
	Connected  bool
	Since      time.Time        // of the connection or of its loss; zero where not known
	Reconnects int64            // connections made after the first
	Trouble    string           // why there is none
	Clients    int              // of the logger's own broker; -1 with another
	Refused    map[string]int64 // what that broker did not do, by what
}

// A Mirror is how a copy of the readings on a server fares.
type Mirror struct {
	Server       string    // and bucket
	Waiting      int64     // packs of readings that the server has not confirmed
	BehindSince  time.Time // zero while it has everything
	LastWrite    time.Time // zero likewise for none yet
	FailingSince time.Time // zero unless the last attempt failed
	Trouble      string    // why
	Lasting      bool      // it will not pass by itself: somebody must look
	Frames       int64     // confirmed since the program started
	Rejected     int64     // readings that the server did not accept
}

// Clocks says which nodes have a clock that is wrong.
type Clocks struct {
	Wrong []WrongClock // in the order of dwelling and node
	Own   bool         // all are, by the same time: the fault is this machine's
}

// A WrongClock is a node's clock and what is wrong with it, as in "is 2 h ahead".
type WrongClock struct{ Dwelling, Node, What string }

// Users knows who may sign in by name.
type Users interface {
	// SignIn returns the role of the user of that name and password, [Viewer] or
	// [Engineer], "" for nobody. It may take its time.
	SignIn(name, password string) (role string)
	// Role returns the role of the user of that name now, "" for nobody: who has lost
	// it is signed out.
	Role(name string) string
}

// A Config says what to show. Study, Log and Rejected are required.
type Config struct {
	Study    *greywatt.Study
	Log      Log
	Rejected RejectedLog
	Ingest   func() mqttsource.Status              // how logging fares; nil: nothing is being logged
	Link     func() Link                           // nil likewise
	Mirror   func() Mirror                         // nil: there is none
	Clocks   func(context.Context) (Clocks, error) // nil: nothing is known of them
	// Packs returns which of the packs that nodes number have come; nil: not known.
	Packs func() []*mqttsource.Packs
	// Quarantine returns what is kept whole; nil: nothing ever is.
	Quarantine func(context.Context) ([]ingest.QuarantineCount, error)
	Journal    Journal          // nil: nothing can be noted
	StudyFile  StudyFile        // nil: no dwelling can be added
	Overheard  Overheard        // nil: nothing listens
	Sheets     string           // folder of the sheets that are kept; empty: none are
	Users      Users            // who may sign in by name; nil: nobody
	Password   string           // of viewers without a name; empty: there is none
	Addresses  []string         // where the page is to be reached
	Version    string           // of the program
	Logger     *slog.Logger     // nil: none
	Now        func() time.Time // nil: time.Now
	Viewers    int              // pages that may be followed at once; 100 if 0
}

// A Page is a study's page. Its methods may be called from any goroutine.
type Page struct {
	cfg         Config
	feed        *feed
	dwellings   []*dwelling // in the study's order
	byID        map[string]*dwelling
	cache       overviewCache
	access      *access
	metrics     *metrics
	traces      traceCache
	assessed    assessments
	viewerSlots chan struct{} // one for each viewer
	changes     *sync.Mutex   // held from a look at the journal to what is added on account of it
	stop        context.CancelFunc
	stopped     context.Context // ends the streams

	successor atomic.Pointer[Page] // of a newer study; nil where there is none
	handler   http.Handler
	refused   atomic.Pointer[string] // why an edit of study file or journal is not taken; nil without

	trouble atomic.Pointer[string] // why the log cannot be read
	clocks  atomic.Pointer[Clocks] // as of the last look; nil before
	flood   atomic.Int64           // readings committed in this second
	busy    atomic.Bool            // readings come in faster than the page should compete with
}

// New returns the page of a study. [Page.Run] keeps it up to date with what it
// is shown: as the [watch.Viewer] of what follows the log, and by the logger
// through [Page.Committed].
func New(cfg Config) *Page {
	if cfg.Study == nil || cfg.Log == nil || cfg.Rejected == nil {
		panic("live: New wants a study, its log and its rejected records")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	cfg.Viewers = cmp.Or(cfg.Viewers, 100)
	p := &Page{
		cfg:         cfg,
		feed:        newFeed(),
		byID:        map[string]*dwelling{},
		viewerSlots: make(chan struct{}, cfg.Viewers),
		changes:     new(sync.Mutex),
	}
	p.stopped, p.stop = context.WithCancel(context.Background())
	p.access = newAccess(cfg.Password, cfg.Users, cfg.Now)
	for i := range cfg.Study.Dwellings {
		d := newDwelling(&cfg.Study.Dwellings[i])
		p.dwellings = append(p.dwellings, d)
		p.byID[d.ID] = d
	}
	p.cache.rows = make([]cachedRow, len(p.dwellings))
	p.metrics = newMetrics(p)
	p.handler = p.newHandler()
	return p
}

// Committed shows readings that are on disk. took is what the commit took. It
// is called by the logger, by one goroutine at a time, and neither waits nor keeps
// rs.
func (p *Page) Committed(rs []greywatt.Reading, took time.Duration) {
	p = p.Newest()
	p.metrics.commit.Observe(took.Seconds())
	p.flood.Add(int64(len(rs)))
	if p.Busy() && !p.feed.rested(busyFeedEvery) {
		p.feed.lost.Add(int64(len(rs)))
		return
	}
	p.feed.put(rs)
}

// busyFeedEvery is how often the page takes a commit while readings pour in.
const busyFeedEvery = 500 * time.Millisecond

// refreshEvery is how often the overview is brought up to date.
const refreshEvery = time.Second

// floodReadings a second are more than any study's nodes send unless they are
// catching up: then the analysis holds back. It is this project's choice, a
// tenth of what the logger takes on two cores.
const floodReadings = 20_000

// Busy reports whether readings pour in, faster than an analysis should compete
// with.
func (p *Page) Busy() bool { return p.busy.Load() }

// Watched reports whether a page is open somewhere that is to follow what comes.
func (p *Page) Watched() bool { return len(p.viewerSlots) > 0 }

// Run works until ctx ends, and then ends the streams.
func (p *Page) Run(ctx context.Context) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(p.stopped, cancel)() // a newer page stands in its place
	var work sync.WaitGroup
	defer work.Wait()
	defer p.stop()
	work.Go(func() { p.show(ctx) })
	if p.cfg.Clocks != nil {
		work.Go(func() { p.watchClocks(ctx) })
	}
	tick := time.NewTicker(refreshEvery)
	defer tick.Stop()
	for {
		p.busy.Store(p.flood.Swap(0) > floodReadings)
		p.refreshOverview()
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// The nodes' clocks are looked at a moment after the start and then every
// clocksEvery: they are judged by the hour.
const (
	clocksFirst = 2 * time.Second
	clocksEvery = time.Minute
)

func (p *Page) watchClocks(ctx context.Context) {
	next := time.NewTimer(clocksFirst)
	defer next.Stop()
	for {
		select {
		case <-next.C:
			p.lookAtClocks(ctx)
			next.Reset(clocksEvery)
		case <-ctx.Done():
			return
		}
	}
}

// lookAtClocks shows each dwelling which of its nodes' clocks are wrong.
func (p *Page) lookAtClocks(ctx context.Context) {
	clocks, err := p.cfg.Clocks(ctx)
	if err != nil {
		if ctx.Err() == nil {
			p.cfg.Logger.Error("the page cannot tell how the nodes' clocks are; all else goes on", "error", err)
		}
		return
	}
	p.clocks.Store(&clocks)
	of := map[string][]WrongClock{}
	for _, c := range clocks.Wrong {
		of[c.Dwelling] = append(of[c.Dwelling], c)
	}
	for _, d := range p.dwellings {
		d.clocksAre(of[d.ID])
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

// ShowInventory shows what the log has of each dwelling, or that it cannot be read.
func (p *Page) ShowInventory(of map[string]watch.Inventory, err error) {
	if err != nil {
		text := err.Error()
		p.trouble.Store(&text)
		return
	}
	p.trouble.Store(nil)
	for _, d := range p.dwellings {
		d.hold(of[d.ID])
	}
}

// ShowState shows what the analysis found in a dwelling's log.
func (p *Page) ShowState(dwelling string, f watch.State) { p.byID[dwelling].found(f) }

// ShowFrames shows frames that were read from the log.
func (p *Page) ShowFrames(dwelling string, frames []greywatt.Frame) {
	p.byID[dwelling].takeFrames(frames)
}

// ObserveAnalysis counts the time that an analysis took, for the metrics.
func (p *Page) ObserveAnalysis(of string, took time.Duration) {
	p.metrics.analysis.WithLabelValues(of).Observe(took.Seconds())
}

// CountUpdate counts events and alarms for the metrics.
func (p *Page) CountUpdate(n watch.Update) {
	for i := range n.Events {
		p.metrics.events.WithLabelValues(string(n.Events[i].Kind)).Inc()
	}
	for _, a := range n.Alarms {
		p.metrics.alarms.WithLabelValues(a.What).Inc()
	}
}
