package live

import (
	"net/http"
	"runtime"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics are what a monitoring server may ask for. None names a dwelling.
type metrics struct {
	page     atomic.Pointer[Page] // that is shown now: counters go on when it is renewed
	registry *prometheus.Registry
	commit   prometheus.Histogram
	events   *prometheus.CounterVec
	alarms   *prometheus.CounterVec
	analysis *prometheus.HistogramVec
	answers  *prometheus.HistogramVec
}

func newMetrics(p *Page) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "greywatt_commit_seconds", Help: "Time that a commit of readings to disk took.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5},
		}),
		events: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "greywatt_events_total", Help: "Events that ended while the program ran, by kind.",
		}, []string{"kind"}),
		alarms: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "greywatt_alarms_total", Help: "Alarms of the guards while the program ran, by what left its level.",
		}, []string{"what"}),
		analysis: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "greywatt_analysis_seconds", Help: "Time that an analysis of one dwelling took: of its whole log, of what is new, of the running water so far, of all events for the findings.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30, 60},
		}, []string{"of"}),
		answers: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "greywatt_http_seconds", Help: "Time that an answer of the page took, by page and status.",
			Buckets: []float64{.001, .005, .02, .1, .5, 2, 10},
		}, []string{"page", "status"}),
	}
	for _, kind := range []string{"shower", "other-draw", "partial"} {
		m.events.WithLabelValues(kind)
	}
	for _, what := range []string{"conductance", "heat-balance"} {
		m.alarms.WithLabelValues(what)
	}
	m.page.Store(p)
	info := prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "greywatt_build_info", Help: "1, with the version of the program.", ConstLabels: prometheus.Labels{"version": p.cfg.Version},
	})
	info.Set(1)
	m.registry.MustRegister(m.commit, m.events, m.alarms, m.analysis, m.answers, info, &statusCollector{m})
	return m
}

func (m *metrics) answered(page string, status int, took time.Duration) {
	m.answers.WithLabelValues(page, strconv.Itoa(status)).Observe(took.Seconds())
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{MaxRequestsInFlight: 4, Timeout: answerTimeout / 2})
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("greywatt_"+name, help, labels, nil)
}

var (
	descMessages   = desc("messages_total", "Messages taken from the broker.")
	descTurnedAway = desc("messages_turned_away_total", "Messages not taken as too much was waiting; their nodes send them again.")
	descReadings   = desc("readings_total", "Readings committed, by what became of them.", "result")
	descSetAside   = desc("set_aside_total", "Records and messages rejected, by reason.", "reason")
	descWhole      = desc("quarantine_bytes", "Size of the messages kept whole because they cannot be stored yet.")
	descNoRoom     = desc("quarantine_refused_total", "Messages not acknowledged as the quarantine had no room for them.")
	descGaps       = desc("packs_missing", "Packs that nodes have numbered and that have not come.")
	descQueue      = desc("queue_messages", "Messages taken and not yet on disk.")
	descQueueBytes = desc("queue_bytes", "Memory that those take, estimated.")
	descCommits    = desc("commits_total", "Commits of readings to disk.")
	descFailing    = desc("commit_failing", "1 while readings cannot be stored.")
	descConnected  = desc("broker_connected", "1 while the logger is connected to its broker, or is one itself.")
	descReconnects = desc("reconnects_total", "Connections to the broker made after the first.")
	descClients    = desc("broker_clients", "Clients of the logger's own broker.")
	descRefused    = desc("broker_refused_total", "What the logger's own broker did not do, to stay within its limits; with another broker, sessions that it had not kept, and messages to any client that it says it has dropped.", "what")
	descNodes      = desc("nodes", "Nodes by presence.", "presence")
	descDwellings  = desc("dwellings", "Dwellings of the study by how they fare.", "state")
	descFound      = desc("findings", "Dwellings by their strongest finding.", "finding")
	descViewers    = desc("viewers", "Pages that are being followed.")
	descLost       = desc("live_dropped_total", "Committed readings that the page did not draw, having no room for them.")
	descMirrorWait = desc("mirror_waiting_packs", "Packs of readings that the mirror has not confirmed.")
	descMirrorLate = desc("mirror_behind_seconds", "Time since which the mirror has not had everything; 0 while it has.")
	descMirrorFail = desc("mirror_failing", "1 while the mirror cannot be written.")
	descMirrored   = desc("mirror_frames_total", "Frames that the mirror has confirmed.")
	descMirrorNo   = desc("mirror_refused_total", "Readings that the mirror's server did not accept; they are kept as rejected records.")
	descClocks     = desc("clocks_wrong", "Nodes whose clocks are wrong.")
	descTrouble    = desc("log_unreadable", "1 while the page cannot read the log.")
	descRoutines   = desc("goroutines", "Goroutines of the program: flat under a steady load.")
)

// statusCollector reads what is counted elsewhere when it is asked for.
type statusCollector struct{ m *metrics }

func (s *statusCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		descMessages, descTurnedAway, descReadings, descSetAside, descWhole, descNoRoom, descGaps, descQueue, descQueueBytes, descCommits, descFailing,
		descConnected, descReconnects, descClients, descRefused, descNodes, descDwellings, descFound, descViewers, descLost, descClocks, descTrouble, descRoutines,
	} {
		ch <- d
	}
}

func (s *statusCollector) Collect(ch chan<- prometheus.Metric) {
	count := func(d *prometheus.Desc, v int64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	gauge := func(d *prometheus.Desc, v int, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, float64(v), labels...)
	}
	one := func(is bool) int {
		if is {
			return 1
		}
		return 0
	}
	p := s.m.page.Load()
	if p.cfg.Ingest != nil {
		st := p.cfg.Ingest()
		count(descMessages, st.Messages)
		count(descTurnedAway, st.TurnedAway)
		count(descReadings, st.New, "new")
		count(descReadings, st.Duplicates, "duplicate")
		count(descReadings, st.Conflicts, "conflict")
		for reason, n := range st.Rejected {
			count(descSetAside, n, string(reason))
		}
		count(descCommits, st.Commits)
		gauge(descWhole, int(st.QuarantineBytes))
		count(descNoRoom, st.QuarantineRefused)
		gauge(descQueue, st.Held)
		gauge(descQueueBytes, st.HeldBytes)
		gauge(descFailing, one(!st.FailingSince.IsZero()))
	}
	if p.cfg.Packs != nil {
		var missing uint64
		for _, k := range p.cfg.Packs() {
			missing += k.Missing()
		}
		gauge(descGaps, int(missing))
	}
	if p.cfg.Link != nil {
		l := p.cfg.Link()
		gauge(descConnected, one(l.Connected))
		count(descReconnects, l.Reconnects)
		if l.Clients >= 0 {
			gauge(descClients, l.Clients)
		}
		for what, n := range l.Refused {
			count(descRefused, n, what)
		}
	}
	if p.cfg.Mirror != nil {
		m := p.cfg.Mirror()
		gauge(descMirrorWait, int(m.Waiting))
		behind := 0
		if !m.BehindSince.IsZero() {
			behind = int(time.Since(m.BehindSince).Seconds())
		}
		gauge(descMirrorLate, behind)
		gauge(descMirrorFail, one(!m.FailingSince.IsZero()))
		count(descMirrored, m.Frames)
		count(descMirrorNo, m.Rejected)
	}
	nodes := map[string]int{"up": 0, "down": 0, "not-reported": 0}
	states := map[state]int{running: 0, up: 0, partly: 0, down: 0, silent: 0, never: 0}
	found := map[string]int{}
	now := p.cfg.Now()
	for _, d := range p.dwellings {
		d.mu.Lock()
		states[d.state(now)]++
		if fs := d.past.Diagnosis.Findings; len(fs) > 0 {
			found[string(fs[0].Code)]++
		}
		for _, n := range d.held.Nodes {
			switch {
			case !n.Heard:
				nodes["not-reported"]++
			case n.Up:
				nodes["up"]++
			default:
				nodes["down"]++
			}
		}
		d.mu.Unlock()
	}
	for presence, n := range nodes {
		gauge(descNodes, n, presence)
	}
	for is, n := range states {
		gauge(descDwellings, n, string(is))
	}
	for code, n := range found {
		gauge(descFound, n, code)
	}
	if k := p.clocks.Load(); k != nil {
		gauge(descClocks, len(k.Wrong))
	}
	gauge(descViewers, len(p.viewerSlots))
	count(descLost, p.feed.lost.Load())
	gauge(descTrouble, one(p.trouble.Load() != nil))
	gauge(descRoutines, runtime.NumGoroutine())
}
