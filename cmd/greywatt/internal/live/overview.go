package live

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/plots/wording"
)

// An overviewCache holds the overview: a row for each dwelling, rendered when it changes.
type overviewCache struct {
	mu       sync.Mutex
	rows     []cachedRow // in the study's order
	summary  summaryPart
	version  int64
	watchers map[chan struct{}]struct{}
}

type cachedRow struct {
	row     row
	html    string
	version int64
}

// A row says what the overview has to say of a dwelling.
type row struct {
	ID, Href   string
	Wants      bool // something to see to
	Fault      bool // in the finding
	State      stateWords
	Last, At   string
	Newest     greywatt.Instant // by the minute
	Complete   string
	Ratio      string
	RatioV     float64 // 0 where there is none
	Range, Dot string  // paths of the ratio on its scale
	Beyond     bool    // the ratio is beyond the scale
	Spark      string  // address of the trend's picture
	Finding    string
	Sure       string
	SureClass  string // how sure, for its look
	SureBar    string // path of the confidence on its scale
	Alarm      string // the newest of late

	Connection greywatt.Connection
	Group      string
	Code       finding.Code // strongest finding; empty before there is one
	Standing   standing
	Severity   int
	Confidence float64
}

// stateWords is a state in words.
type stateWords struct {
	Is    state
	Words string
}

// stateWords says how the dwelling fares. The caller holds d.mu.
func (d *dwelling) stateWords(c clock) stateWords {
	s := stateWords{Is: d.state(c.now)}
	downs, heard := 0, 0
	var since greywatt.Instant
	for _, n := range d.held.Nodes {
		if n.Heard {
			heard++
		}
		if n.Heard && !n.Up {
			downs++
			since = max(since, n.Since)
		}
	}
	newest := max(d.held.Newest, d.present.newest)
	switch s.Is {
	case running:
		s.Words = "Water runs"
	case up:
		s.Words = "Up"
	case partly:
		s.Words = fmt.Sprintf("%d of %d nodes down", downs, heard)
	case down:
		s.Words = "Down since " + c.short(since)
	case silent:
		s.Words = "Silent for " + c.ago(newest)
	case never:
		s.Words = "No readings yet"
		if heard > downs {
			s.Words = "Up, no readings yet"
		}
	}
	return s
}

// row returns what the overview says of the dwelling.
func (d *dwelling) row(c clock) row {
	d.mu.Lock()
	defer d.mu.Unlock()
	r := row{ID: d.ID, Href: dwellingPath(d.ID), Connection: d.Last().Connection, Group: d.Group, State: d.stateWords(c), Complete: wording.Unknown, Ratio: wording.Unknown}
	if newest := max(d.held.Newest, d.present.newest); newest != 0 {
		r.Last = c.short(newest)
		minute := newest.Time().Truncate(time.Minute)
		r.At, r.Newest = minute.Format(time.RFC3339), greywatt.InstantOf(minute)
	}
	switch {
	case d.past.Ready && d.past.Complete.Span.From != 0:
		r.Complete = share(d.past.Complete.Share)
	case r.State.Is != never:
		r.Finding = "Reading the history …"
	}
	if d.past.Trouble != "" {
		r.Finding = "The log cannot be read"
	}
	if e := d.past.Latest; e != nil {
		r.Ratio = plusMinus(e.Ratio, e.RatioU95, 2)
		r.Range, r.Dot = whisker(e.Ratio, e.RatioU95)
		r.Beyond = e.Ratio < scaleLeast || e.Ratio > scaleMost
		if finite(e.Ratio) {
			r.RatioV = e.Ratio
		}
	}
	if len(d.past.Diagnosis.Trend) > 1 {
		r.Spark = dwellingPath(d.ID) + "/spark.svg?v=" + strconv.FormatInt(d.past.Edition, 10)
	}
	if fs := d.past.Diagnosis.Findings; d.past.Ready && d.past.Trouble == "" && len(fs) > 0 {
		r.Finding, r.Sure = c.brief(fs[0]), sure(fs[0])
		if n := len(fs) - 1; n > 0 && fault(fs[0].Code) {
			r.Sure += fmt.Sprintf(", and %d more", n)
		}
		r.Fault, r.Code = fault(fs[0].Code), fs[0].Code
		if r.Sure != "" {
			r.Confidence = fs[0].Confidence
			r.SureBar = "M1 4H" + strconv.FormatFloat(math.Round(10*(1+38*fs[0].Confidence))/10, 'f', -1, 64)
		}
		if r.Fault {
			r.SureClass = confidenceClass(fs[0].Confidence)
		}
		if r.SureClass == "possible" {
			r.Finding = "Perhaps " + strings.ToLower(r.Finding[:1]) + r.Finding[1:]
		}
	}
	if a := d.past.recentAlarm(c); a != nil {
		r.Alarm = fmt.Sprintf("Alarm %s: %s", c.short(a.At), alarmWords(a.What))
	}
	switch r.State.Is {
	case running, up, partly:
		d.live = true
	}
	switch {
	case r.Fault || d.past.Trouble != "":
		r.Standing, r.Severity = faulty, severity(r.Code)
	case r.Alarm != "":
		r.Standing = alarmed
	case r.State.Is == silent && d.isLive() || r.State.Is == down:
		r.Standing = absent
	case r.Code == finding.Undecided:
		r.Standing = open
	case r.Code == finding.Healthy:
		r.Standing = well
	default:
		r.Standing = nothing
	}
	r.Wants = r.Fault || r.Alarm != "" || d.past.Trouble != "" || r.State.Is == silent && d.isLive() || r.State.Is == down
	return r
}

// share writes a share in per cent; a little is not written as nothing, and all
// but whole not as whole.
func share(v float64) string {
	switch {
	case !finite(v):
		return wording.Unknown
	case v < 1 && v > 0.99:
		return "99 %"
	case v > 0 && v < 0.005:
		return "< 1 %"
	}
	return wording.Fixed(100*v, 0) + " %"
}

// The ends of the overview's scale of ratios.
const (
	scaleLeast = 0.4
	scaleMost  = 1.2
)

// whisker draws a ratio with its uncertainty on a line 140 by 16 on which 0.4 is
// at 10, 1 at 100 and 1.2 at 130: a bar from one end of the interval to the other,
// and a dot. A bar ends at the line's end; beyond that the dot is an arrow head.
func whisker(v, u95 float64) (bar, dot string) {
	x := func(v float64) string {
		return strconv.FormatFloat(math.Round(10*(10+(min(max(v, scaleLeast), scaleMost)-0.4)*150))/10, 'f', -1, 64)
	}
	if !finite(u95) {
		u95 = 0
	}
	bar = "M" + x(v-u95) + " 8H" + x(v+u95)
	switch {
	case v < scaleLeast:
		return bar, "M9 3l-6 5l6 5"
	case v > scaleMost:
		return bar, "M131 3l6 5l-6 5"
	}
	return bar, "M" + x(v) + " 8h0"
}

// refreshOverview brings the cached overview up to date and wakes its viewers.
func (p *Page) refreshOverview() {
	c := p.clock()
	b := &p.cache
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.version == 0 {
		b.version = time.Now().UnixMilli() // see newDwelling
	}
	changed := len(p.dwellings) == 0 && b.summary.Head == ""
	for i, d := range p.dwellings {
		r := d.row(c)
		if old := &b.rows[i]; old.html == "" || old.row != r {
			if !changed {
				b.version++
				changed = true
			}
			*old = cachedRow{r, fragment("row", &r), b.version}
		}
	}
	if !changed {
		return
	}
	b.summary = p.summary(b.rows)
	for w := range b.watchers {
		select {
		case w <- struct{}{}:
		default:
		}
	}
}

// A summaryPart says the study in a line and what else there is to say.
type summaryPart struct{ Head, Rest string }

func (p *Page) summary(rows []cachedRow) summaryPart {
	var runs, wants, nevers, reading int
	for i := range rows {
		r := &rows[i].row
		switch {
		case r.State.Is == running:
			runs++
		case r.State.Is == never:
			nevers++
		}
		if r.Wants {
			wants++
		}
		if r.Complete == wording.Unknown && r.State.Is != never {
			reading++
		}
	}
	if len(rows) == 0 {
		return summaryPart{Head: "No dwelling yet"}
	}
	s := summaryPart{Head: count(len(rows), "dwelling")}
	if nevers == len(rows) {
		return s
	}
	switch {
	case wants > 1:
		s.Head += fmt.Sprintf(", %d need attention", wants)
	case wants == 1:
		s.Head += ", 1 needs attention"
	case reading == 0:
		s.Head += ", none needs attention"
	}
	var rest []string
	if runs > 0 {
		rest = append(rest, fmt.Sprintf("Water runs in %d.", runs))
	}
	if nevers > 0 {
		rest = append(rest, fmt.Sprintf("No readings yet from %d.", nevers))
	}
	if reading > 0 {
		rest = append(rest, fmt.Sprintf("The history of %d is still being read.", reading))
	}
	s.Rest = strings.Join(rest, " ")
	return s
}

func (p *Page) overview(w http.ResponseWriter, r *http.Request) error {
	p.refreshOverview()
	p.cache.mu.Lock()
	rows := slices.Clone(p.cache.rows)
	version := p.cache.version
	summary := fragment("summary", p.cache.summary)
	p.cache.mu.Unlock()
	data := struct {
		frame
		Summary any
		Rows    []any
		Nothing bool
		Where   *Link
		Mirror  string
		Find    findPart
		Heard   []heardPart
		Foreign string // topics that no recipe takes
		May     bool
	}{frame: p.frame(r, "Dwellings"), Summary: safe(summary), Nothing: true, Mirror: p.mirror()}
	data.At = "overview"
	data.Stream = "/stream?since=" + strconv.FormatInt(version, 10)
	for i := range rows {
		data.Nothing = data.Nothing && rows[i].row.State.Is == never
	}
	for _, one := range data.Find.choose(r.URL.Query(), rows) {
		data.Rows = append(data.Rows, safe(one.html))
	}
	if p.cfg.Link != nil {
		l := p.cfg.Link()
		data.Where = &l
	}
	data.Heard, data.Foreign = p.heard(r.Context()), p.foreign()
	if p.cfg.StudyFile != nil {
		data.May, _ = p.mayNote(r)
	}
	return render(w, http.StatusOK, "overview", &data)
}

// overviewStream follows the overview from the version that the page shows.
func (p *Page) overviewStream(r *http.Request) (source, error) {
	seen, _ := strconv.ParseInt(r.URL.Query().Get("since"), 10, 64)
	news := make(chan struct{}, 1)
	b := &p.cache
	b.mu.Lock()
	if b.watchers == nil {
		b.watchers = map[chan struct{}]struct{}{}
	}
	b.watchers[news] = struct{}{}
	b.mu.Unlock()
	notices, mirror := "", ""
	next := func() (m message) {
		if n := fragment("notices", p.notices()); n != notices {
			notices = n
			set(&m.HTML, "notices", n)
		}
		if s := p.mirror(); s != mirror {
			mirror = s
			set(&m.Text, "mirror", s)
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		if b.version == seen {
			return m
		}
		for i := range b.rows {
			// A version that this process has not had yet is another's.
			if seen > b.version || b.rows[i].version > seen {
				set(&m.Row, "row-"+b.rows[i].row.ID, b.rows[i].html)
			}
		}
		set(&m.HTML, "summary", fragment("summary", b.summary))
		seen = b.version
		return m
	}
	return source{news: news, next: next, every: time.Second, leave: func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.watchers, news)
	}}, nil
}
