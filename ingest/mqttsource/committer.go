package mqttsource

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"runtime"
	"slices"
	"sync"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
	"greywatt/ingest/retry"
)

// A Log keeps what a [Committer] gives it. Each method returns once it is all
// on disk, or with an error and then none of it counts: it is given again. What
// is given twice counts once. The slices are the Committer's again afterwards.
type Log interface {
	Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error)
	AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error
	SetPresences(ctx context.Context, ps []ingest.Presence) error
}

// A Quarantine keeps whole messages that are acknowledged although records of
// theirs cannot be stored yet.
type Quarantine interface {
	// AppendQuarantined is as the methods of [Log].
	AppendQuarantined(ctx context.Context, ms []ingest.Quarantined) error
	// QuarantineBytes returns what is kept, by [ingest.Quarantined.Size]. It does
	// not block.
	QuarantineBytes() int64
}

// A Foreign decodes the messages of topics that are not the study's own. It may
// be called from any goroutine.
type Foreign interface {
	// Decode appends what a message holds, or why it cannot be used; ok is false
	// where the topic is not its. retained says that the broker had kept the
	// message: nobody knows since when.
	Decode(rs []greywatt.Reading, rejected []ingest.RejectedRecord, topic string, body []byte, arrived greywatt.Instant, retained bool) (_ []greywatt.Reading, _ []ingest.RejectedRecord, ok bool)
}

// Errors of [Committer.Offer].
var (
	ErrFull    = errors.New("too much is waiting to be stored")
	ErrStopped = errors.New("the logger is stopping")
	// ErrQuarantine is returned for a message that would have to be kept whole.
	ErrQuarantine = errors.New("the quarantine is full: nothing more is acknowledged that cannot be stored; greywatt readmit --list says what is in it")
)

// A CommitterConfig sets up a [Committer]. Zero numbers mean the default.
type CommitterConfig struct {
	Prefix   string            // of the topics; see [payload.CheckPrefix]
	Resolver *payload.Resolver // of names; nil accepts any dwelling
	Log      Log
	Foreign  Foreign // of other topics; nil: there are none
	OwnNames bool    // refuse names of another dwelling or node than the topic's: where the broker keeps each node to its topic

	Quarantine      Quarantine // nil: of what cannot be stored yet only excerpts are kept, as rejected records
	QuarantineBytes int64      // kept there at most; 256 MiB

	Notes NoteKeeper // keeps which of the packs that nodes number have come; nil: nobody counts them
	Packs []*Packs   // which came before

	GroupReadings int           // commit at the latest with so many readings; 20 000
	GroupDelay    time.Duration // or when the first has waited so long; 200 ms
	// Patience is how long the first may wait instead where nobody does: all readings
	// of the group are of now, so that no node is sending what it saved up, and
	// Watched says no. 0: GroupDelay.
	Patience time.Duration
	Watched  func() bool // somebody looks at what is committed; nil: nobody ever

	MaxMessages int           // held at most, being committed or waiting; 16 384
	MaxBytes    int           // estimated memory of those; 48 MiB
	MaxPack     int           // bytes of one message; more is rejected unread; 4 MiB
	OfferWait   time.Duration // how long Offer waits for room; 2 s
	DrainTime   time.Duration // how long Run goes on after its end is asked for; 10 s

	Passed greywatt.Instant // a moment that has certainly passed, as of an earlier commit; 0 where none is known
	Now    func() time.Time // time of arrival, for relative times; time.Now
	Logger *slog.Logger     // nil: none
}

func (cfg *CommitterConfig) setDefaults() {
	cfg.GroupReadings = cmp.Or(cfg.GroupReadings, 20_000)
	cfg.GroupDelay = cmp.Or(cfg.GroupDelay, 200*time.Millisecond)
	cfg.MaxMessages = cmp.Or(cfg.MaxMessages, 16_384)
	cfg.MaxBytes = cmp.Or(cfg.MaxBytes, 48<<20)
	cfg.MaxPack = cmp.Or(cfg.MaxPack, 4<<20)
	cfg.QuarantineBytes = cmp.Or(cfg.QuarantineBytes, 256<<20)
	cfg.OfferWait = cmp.Or(cfg.OfferWait, 2*time.Second)
	cfg.DrainTime = cmp.Or(cfg.DrainTime, 10*time.Second)
	if cfg.Resolver == nil {
		cfg.Resolver = payload.NewResolver(nil)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
}

// Waits between attempts at a commit that fails; a full disk that is given room
// is noticed within the longer.
const (
	leastCommitRetry = 250 * time.Millisecond
	mostCommitRetry  = 10 * time.Second
)

// A Committer decodes messages, commits them in groups, and then calls them
// safe. Its methods may be called from any goroutine.
type Committer struct {
	cfg      CommitterConfig
	decoders chan *decoder // those at rest; one a processor, which bounds what decoding takes
	wake     chan struct{} // a group may be due

	mu       sync.Mutex
	group    *group // being gathered
	spare    *group
	messages int // held: being decoded, gathered or committed
	bytes    int
	room     chan struct{} // closed and replaced when there is more room
	stopped  bool
	status   Status
	presence map[nodeKey]ingest.Presence
	clocks   map[nodeKey]*watchedClock
	own      ownClock
	packs    map[nodeKey]*Packs
	heard    map[string]struct{} // dwellings of which readings were committed
	// toQuarantine is the size of messages offered and not yet in the quarantine.
	toQuarantine int64
}

// A group is what one commit writes.
type group struct {
	readings []greywatt.Reading
	rejected []ingest.RejectedRecord
	presence []ingest.Presence
	whole    []ingest.Quarantined
	numbered []numbered
	safe     []func() // one a message
	bytes    int
	since    time.Time // when the first message came
	late     bool      // it has readings of a while ago
}

// lateAfter is the age of a pack's newest reading from which its node is taken to
// be sending what it saved up, and to send the next once it has the answer.
const lateAfter = 30 * time.Second

// delay is how long a group waits for more.
func (c *Committer) delay(g *group) time.Duration {
	if c.cfg.Patience <= c.cfg.GroupDelay || g.late || c.cfg.Watched != nil && c.cfg.Watched() {
		return c.cfg.GroupDelay
	}
	return c.cfg.Patience
}

type decoder struct {
	*payload.Decoder
	counted  numbered // the pack's number, where it has one that counts
	readings []greywatt.Reading
	rejected []ingest.RejectedRecord
}

// NewCommitter returns a Committer, which takes messages at once and commits
// them while [Committer.Run] does.
func NewCommitter(cfg CommitterConfig) *Committer {
	if err := payload.CheckPrefix(cfg.Prefix); err != nil || cfg.Log == nil {
		panic("mqttsource: NewCommitter wants a valid prefix and a log")
	}
	cfg.setDefaults()
	c := &Committer{
		cfg:      cfg,
		decoders: make(chan *decoder, runtime.GOMAXPROCS(0)),
		wake:     make(chan struct{}, 1),
		group:    new(group),
		room:     make(chan struct{}),
		presence: make(map[nodeKey]ingest.Presence),
		packs:    make(map[nodeKey]*Packs),
		heard:    make(map[string]struct{}),
		clocks:   make(map[nodeKey]*watchedClock),
		own:      ownClock{passed: cfg.Passed, ahead: make(map[nodeKey]bool)},
	}
	for range cap(c.decoders) {
		c.decoders <- &decoder{Decoder: payload.NewDecoder(cfg.Resolver)}
	}
	for _, p := range cfg.Packs {
		c.packs[nodeKey{p.Dwelling, p.Node}] = p
	}
	c.status.Rejected = make(map[ingest.Reason]int64)
	return c
}

// Offer takes a message and returns; safe is called once all of it is on disk: as
// readings, or as it came where it cannot be stored yet and there is a quarantine.
// Where too much is held already it waits a while for room and then returns
// [ErrFull]; for readings from the future while the own clock is in doubt it
// returns [ErrClock]; for what would have to be kept whole while the quarantine is
// full [ErrQuarantine]; after the end of Run was asked for [ErrStopped]. After an error safe is never called. body may be reused afterwards.
func (c *Committer) Offer(topic string, body []byte, safe func()) error {
	return c.offer(topic, body, safe, false)
}

// offer is Offer of a message that the broker may have retained.
func (c *Committer) offer(topic string, body []byte, safe func(), retained bool) error {
	if err := c.reserve(len(body)); err != nil {
		return err
	}
	d := <-c.decoders
	ps, clock, whole := c.decode(d, topic, body, retained)
	size := memoryOf(d)
	if whole != nil {
		size += int(whole.Size())
	}

	c.mu.Lock()
	var refuse error
	switch full := whole != nil && !c.hasQuarantineFor(whole); {
	case c.own.judge(clock, slices.ContainsFunc(d.rejected, func(r ingest.RejectedRecord) bool { return r.Reason == ingest.FutureTime })):
		refuse = ErrClock
	case full && whole.Reason == ingest.UnknownChannel:
		whole = nil // as likely nobody's: nobody is held up for it
	case full:
		refuse = ErrQuarantine
		c.status.QuarantineRefused++
	}
	if refuse != nil {
		c.messages--
		c.bytes -= len(body)
		c.freed()
		c.status.TurnedAway++
		tell := refuse == ErrQuarantine && c.status.QuarantineFull.IsZero()
		if tell {
			c.status.QuarantineFull = time.Now()
		}
		c.mu.Unlock()
		if tell {
			c.cfg.Logger.Error("the quarantine is full: messages with records that cannot be stored are not acknowledged; greywatt readmit --list says which, and why", "quota_bytes", c.cfg.QuarantineBytes, "topic", topic)
		}
		c.decoders <- d
		c.rouse()
		return refuse
	}
	g := c.group
	if len(g.safe) == 0 {
		g.since = time.Now()
	}
	g.readings = append(g.readings, d.readings...)
	wasLate := g.late
	g.late = g.late || len(d.readings) > 0 && newest(d.readings) < greywatt.InstantOf(c.cfg.Now().Add(-lateAfter))
	g.rejected = append(g.rejected, d.rejected...)
	g.presence = append(g.presence, ps...)
	g.safe = append(g.safe, safe)
	if d.counted.N > 0 {
		g.numbered = append(g.numbered, d.counted)
	}
	first := false
	if whole != nil {
		g.whole = append(g.whole, *whole)
		c.toQuarantine += whole.Size()
		c.status.QuarantineFull = time.Time{}
		c.status.Quarantined++
		first = c.status.Quarantined == 1
	}
	g.bytes += size
	c.bytes += size - len(body)
	c.status.Messages++
	c.status.Readings += int64(len(d.readings))
	for i := range d.rejected {
		c.status.Rejected[d.rejected[i].Reason]++
	}
	tell := c.noteClock(clock)
	due := len(g.safe) == 1 || g.late != wasLate || len(g.readings) >= c.cfg.GroupReadings || c.stopped
	c.mu.Unlock()
	if tell != nil {
		tell(c.cfg.Logger)
	}
	if first {
		c.cfg.Logger.Warn("a message with records that cannot be stored yet is kept whole, as others of its kind will be; greywatt readmit --list says which, and why", "topic", topic, "reason", string(whole.Reason))
	}

	clear(d.rejected)
	d.readings, d.rejected = d.readings[:0], d.rejected[:0]
	c.decoders <- d
	if due {
		c.rouse()
	}
	return nil
}

func newest(rs []greywatt.Reading) greywatt.Instant {
	at := rs[0].At
	for i := range rs {
		at = max(at, rs[i].At)
	}
	return at
}

// memoryOf estimates what a decoded message occupies, in bytes.
func memoryOf(d *decoder) int {
	const perMessage, perReading, perRejected = 200, 56, 600
	return perMessage + perReading*len(d.readings) + perRejected*len(d.rejected)
}

// reserve counts a message of n bytes as held, waiting for room if need be. One
// message is always let in, however large.
func (c *Committer) reserve(n int) error {
	var timeout <-chan time.Time
	for {
		c.mu.Lock()
		switch {
		case c.stopped:
			c.mu.Unlock()
			return ErrStopped
		case c.messages == 0 || c.messages < c.cfg.MaxMessages && c.bytes+n <= c.cfg.MaxBytes:
			c.messages++
			c.bytes += n
			c.mu.Unlock()
			return nil
		}
		room := c.room
		c.mu.Unlock()
		if timeout == nil {
			timeout = time.After(c.cfg.OfferWait)
		}
		select {
		case <-room:
		case <-timeout:
			c.mu.Lock()
			c.status.TurnedAway++
			c.mu.Unlock()
			return ErrFull
		}
	}
}

// rouse makes Run look whether a group is due.
func (c *Committer) rouse() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// Run commits what is offered until ctx ends. Then it takes no more, commits
// what it holds, and returns nil, or an error where the log did not take all of
// it in time; what was not committed was not called safe and will come again.
// Call it once.
func (c *Committer) Run(ctx context.Context) error {
	// The work outlives ctx by the time given for draining.
	work, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	defer context.AfterFunc(ctx, func() {
		c.stop()
		time.AfterFunc(c.cfg.DrainTime, cancel)
	})()
	for {
		g, err := c.next(work)
		if err == nil && g != nil {
			err = c.commit(work, g)
		}
		if err != nil {
			return fmt.Errorf("%d messages were not stored and will be sent again: %w", c.held(), err)
		}
		if g == nil {
			return nil
		}
	}
}

func (c *Committer) stop() {
	c.mu.Lock()
	c.stopped = true
	c.freed()
	c.mu.Unlock()
	c.rouse()
}

func (c *Committer) held() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.messages
}

// next waits until a group is due and returns it; nil when all is done.
func (c *Committer) next(ctx context.Context) (*group, error) {
	for {
		c.mu.Lock()
		g := c.group
		var wait time.Duration
		if n := len(g.safe); n > 0 {
			wait = c.delay(g) - time.Since(g.since)
			if c.stopped || len(g.readings) >= c.cfg.GroupReadings || wait <= 0 {
				c.group, c.spare = c.spare, nil
				if c.group == nil {
					c.group = new(group)
				}
				c.mu.Unlock()
				return g, nil
			}
		} else if c.stopped && c.messages == 0 {
			c.mu.Unlock()
			return nil, nil
		}
		c.mu.Unlock()

		var due <-chan time.Time
		if wait > 0 {
			due = time.After(wait)
		}
		select {
		case <-c.wake:
		case <-due:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// commit writes a group and calls its messages safe. It returns an error only
// when ctx ends before that is done.
func (c *Committer) commit(ctx context.Context, g *group) error {
	start := time.Now()
	var counts ingest.Counts
	packs := c.noteNumbered(g)
	err := c.insist(ctx, len(g.readings), "readings", func() (err error) {
		counts, err = c.cfg.Log.Append(ctx, g.readings)
		return err
	})
	if err == nil {
		err = c.insist(ctx, len(g.rejected), "rejected records", func() error { return c.cfg.Log.AppendRejected(ctx, g.rejected) })
	}
	if err == nil {
		err = c.insist(ctx, len(g.whole), "messages that are kept whole", func() error { return c.cfg.Quarantine.AppendQuarantined(ctx, g.whole) })
	}
	if err == nil {
		err = c.insist(ctx, len(g.presence), "presence", func() error { return c.cfg.Log.SetPresences(ctx, g.presence) })
	}
	if err != nil {
		return err
	}
	stored := time.Now()
	c.mu.Lock()
	maps.Copy(c.packs, packs)
	c.mu.Unlock()
	for _, safe := range g.safe {
		safe()
	}
	c.finish(g, counts, start, stored)
	return nil
}

// insist calls f until it succeeds.
func (c *Committer) insist(ctx context.Context, n int, what string, f func() error) error {
	if n == 0 {
		return nil
	}
	backoff := retry.Backoff{Least: leastCommitRetry, Most: mostCommitRetry}
	for {
		err := f()
		if err == nil {
			c.succeeded()
			return nil
		}
		err = fmt.Errorf("store %d %s: %w", n, what, err)
		wait := backoff.Step()
		if ctx.Err() == nil {
			c.failed(err, wait)
		}
		if !retry.Sleep(ctx, wait) {
			return err
		}
	}
}

func (c *Committer) succeeded() {
	c.mu.Lock()
	since := c.status.FailingSince
	c.status.FailingSince = time.Time{}
	c.mu.Unlock()
	if !since.IsZero() {
		c.cfg.Logger.Info("storing again", "after", time.Since(since).Round(time.Millisecond))
	}
}

func (c *Committer) failed(err error, wait time.Duration) {
	c.mu.Lock()
	c.status.LastError, c.status.LastErrorAt = err.Error(), time.Now()
	if c.status.FailingSince.IsZero() {
		c.status.FailingSince = c.status.LastErrorAt
	}
	held := c.messages
	c.mu.Unlock()
	c.cfg.Logger.Error("not stored and not acknowledged; trying again", "error", err, "in", wait.Round(time.Millisecond), "messages_held", held)
}

// finish counts a committed group and gives its room back.
func (c *Committer) finish(g *group, counts ingest.Counts, start, stored time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.status.count(counts)
	c.status.Commits++
	c.status.LastCommit = stored
	c.status.CommitTook = stored.Sub(start)
	c.status.AckTook = time.Since(g.since)
	for _, p := range g.presence {
		c.track(p)
	}
	last := ""
	for i := range g.readings {
		if d := g.readings[i].Dwelling; d != last {
			c.heard[d], last = struct{}{}, d
		}
	}
	c.status.Dwellings = len(c.heard)
	for i := range g.whole {
		c.toQuarantine -= g.whole[i].Size()
	}
	c.messages -= len(g.safe)
	c.bytes -= g.bytes
	c.freed()
	if cap(g.readings) <= 2*c.cfg.GroupReadings { // else it came of a flood and is let go
		clear(g.rejected)
		clear(g.presence)
		clear(g.whole)
		clear(g.numbered)
		clear(g.safe)
		*g = group{readings: g.readings[:0], rejected: g.rejected[:0], presence: g.presence[:0], whole: g.whole[:0], numbered: g.numbered[:0], safe: g.safe[:0]}
		c.spare = g
	}
}

// freed tells those who wait that there is room, or that waiting is over. The
// caller holds c.mu.
func (c *Committer) freed() {
	close(c.room)
	c.room = make(chan struct{})
}

// empty waits until nothing is held, and reports whether that came before ctx
// ended.
func (c *Committer) empty(ctx context.Context) bool {
	for {
		c.mu.Lock()
		n, room := c.messages, c.room
		c.mu.Unlock()
		if n == 0 {
			return true
		}
		select {
		case <-room:
		case <-ctx.Done():
			return false
		}
	}
}
