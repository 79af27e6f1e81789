package dataset

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/pseudonym"
)

// A Disclosure says how much a dataset reveals of the people in it.
//
// Dwellings and events have pseudonyms, and rows an order that says nothing of
// the order in the study file or within a period of time. Times are those of the
// period that they lie in, by the study's clocks. What is left out so that each
// thing is shared by MinGroup dwellings: dwellings whose connection and exchanger
// together are shared by fewer, and then events of periods in which fewer have
// one; findings, their beginnings, flags, and sets of flags that tell the sensors, that fewer have; with
// MinGroup above 1 also the days in evidence, and the trend's segments. The figures themselves are exact: who has them from elsewhere, the
// participant for one, finds the rows.
type Disclosure struct {
	Key      pseudonym.Key
	Coarsen  Period // empty: times are exact
	MinGroup int    // 0 or 1: nothing is left out; more needs Coarsen
}

// A Period is what times are coarsened to.
type Period string

// The periods.
const (
	Hour  Period = "hour"
	Day   Period = "day"
	Week  Period = "week" // from Monday on
	Month Period = "month"
)

// Periods are all periods, the finest first.
var Periods = []Period{Hour, Day, Week, Month}

// of returns the period that at lies in, by the clocks of zone: its first moment
// there, as if it were UTC, so that it does not tell the zone.
func (p Period) of(at greywatt.Instant, zone *time.Location) greywatt.Instant {
	if p == "" || at == 0 {
		return at
	}
	t := at.Time().In(zone)
	year, month, day := t.Date()
	hour := 0
	switch p {
	case Hour:
		hour = t.Hour()
	case Week:
		day -= (int(t.Weekday()) + 6) % 7
	case Month:
		day = 1
	}
	return greywatt.InstantOf(time.Date(year, month, day, hour, 0, 0, 0, time.UTC))
}

// ErrTooFew says that nothing is left that enough dwellings share.
var ErrTooFew = errors.New("nothing to publish")

// Withheld counts what a [Disclosure] has left out.
type Withheld struct {
	Dwellings, Events, Findings int
	Flags                       []string // that no event has
}

// A discloser does what a Disclosure says, for one package.
type discloser struct {
	Disclosure
	zone     *time.Location
	names    map[string]string          // of dwellings, by id
	units    map[string]string          // what sort of unit a dwelling has, by name
	findings []findingRow               // not yet in the table
	flags    map[string]map[string]bool // that events have, by name
	withheld Withheld
}

func newDiscloser(s *greywatt.Study, d Disclosure) *discloser {
	h := &discloser{Disclosure: d, zone: s.Timezone, names: map[string]string{}, units: map[string]string{}, flags: map[string]map[string]bool{}}
	if h.zone == nil {
		h.zone = time.UTC
	}
	ids := make([]string, len(s.Dwellings))
	for i := range s.Dwellings {
		ids[i] = s.Dwellings[i].ID
	}
	for i, name := range d.Key.Dwellings(ids) {
		of := &s.Dwellings[i]
		h.names[of.ID] = name
		unit := of.Exchanger
		unit.Serial, unit.Place = "", "" // which no dataset has
		h.units[name] = fmt.Sprint(of.Connection, unit)
	}
	return h
}

func (h *discloser) period(at greywatt.Instant) greywatt.Instant { return h.Coarsen.of(at, h.zone) }

// event returns the event as it is to be told.
func (h *discloser) event(e *event.Event) *event.Event {
	told := *e
	told.ID, told.Dwelling = h.Key.Event(e.ID), h.names[e.Dwelling]
	told.Start, told.End = h.period(e.Start), h.period(e.End)
	if h.flags[told.Dwelling] == nil {
		h.flags[told.Dwelling] = map[string]bool{}
	}
	for _, f := range e.Flags {
		h.flags[told.Dwelling][string(f)] = true
	}
	if h.Coarsen != "" {
		told.End = told.Start // an end in the next day would tell the hour
	}
	return &told
}

func (h *discloser) trendPoint(p trendPoint) trendPoint {
	p.EventID, p.Dwelling, p.At = h.Key.Event(p.EventID), h.names[p.Dwelling], h.period(p.At)
	if h.Coarsen != "" {
		nan := math.NaN() // a line tells the moment of each of its points
		p.Fit, p.FitLo, p.FitHi = nan, nan, nan
	}
	return p
}

func (h *discloser) finding(f findingRow) findingRow {
	f.Dwelling, f.Since, f.Evidence = h.names[f.Dwelling], h.period(f.Since), h.dates(f.Evidence)
	return f
}

var date = regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}\b`)

// dates coarsens the dates in a text.
func (h *discloser) dates(text string) string {
	return date.ReplaceAllStringFunc(text, func(d string) string {
		t, err := time.ParseInLocation(time.DateOnly, d, h.zone)
		if err != nil {
			return d
		}
		return h.period(greywatt.InstantOf(t)).Time().Format(time.DateOnly)
	})
}

// disclose leaves out of the package what too few dwellings share and puts the
// rest in an order that tells nothing.
func (p *Package) disclose() error {
	h := p.hide
	rare, largest := h.rare(p.dwellings())
	h.withheld.Dwellings = len(rare)
	if largest < h.MinGroup {
		return fmt.Errorf("%w: no %d dwellings share connection and exchanger (the most that do: %d), and where so few do a home can be told by its unit", ErrTooFew, h.MinGroup, largest)
	}
	all := p.events.rows.len()
	for _, t := range []*table{p.events, p.trend} {
		t.rows.drop(func(r *row) bool { return rare[t.dwelling(r)] })
	}
	seldom := p.seldom()
	for _, t := range []*table{p.events, p.trend} {
		t.rows.drop(func(r *row) bool { return seldom[r.at] })
	}
	h.withheld.Events = all - p.events.rows.len()

	told := map[greywatt.Instant]bool{}
	for r := range p.events.rows.all() {
		told[r.at] = true
	}
	slices.SortStableFunc(h.findings, func(a, b findingRow) int { return cmp.Compare(a.Dwelling, b.Dwelling) })
	h.findings = slices.DeleteFunc(h.findings, func(f findingRow) bool { return rare[f.Dwelling] })
	names := slices.DeleteFunc(p.dwellings(), func(name string) bool { return rare[name] })
	p.thresholds(names)
	if err := p.risks(names); err != nil {
		return err
	}
	for _, f := range h.findings {
		if h.MinGroup > 1 && !told[f.Since] {
			f.Since = 0
		}
		if err := add(p.findings, findingColumns, f.Dwelling, 0, f); err != nil {
			return err
		}
	}
	h.findings = nil
	return p.trend.sortByDwelling()
}

// dwellings returns all that are in the package, by name.
func (p *Package) dwellings() []string {
	all := map[string]bool{}
	for _, f := range p.hide.findings {
		all[f.Dwelling] = true
	}
	for _, name := range p.events.dwellings {
		all[name] = true
	}
	return slices.Sorted(maps.Keys(all))
}

// rare returns those of the dwellings whose sort of unit too few have, and how
// many share the most frequent sort.
func (h *discloser) rare(dwellings []string) (rare map[string]bool, largest int) {
	groups := map[string]int{}
	for _, name := range dwellings {
		groups[h.units[name]]++
	}
	rare = map[string]bool{}
	for _, name := range dwellings {
		n := groups[h.units[name]]
		largest = max(largest, n)
		if n < h.MinGroup {
			rare[name] = true
		}
	}
	return rare, largest
}

// seldom returns the periods in which too few dwellings have an event.
func (p *Package) seldom() map[greywatt.Instant]bool {
	who := map[greywatt.Instant]map[int32]bool{}
	for r := range p.events.rows.all() {
		if who[r.at] == nil {
			who[r.at] = map[int32]bool{}
		}
		who[r.at][r.dwelling] = true
	}
	seldom := map[greywatt.Instant]bool{}
	for at, dwellings := range who {
		seldom[at] = len(dwellings) < p.hide.MinGroup
	}
	return seldom
}

// disclosureNote is what a data package says of its [Disclosure].
type disclosureNote struct {
	Pseudonyms        string   `json:"pseudonyms"`
	TimesCoarsenedTo  Period   `json:"times_coarsened_to,omitempty"`
	MinimumGroup      int      `json:"minimum_group,omitempty"`
	WithheldDwellings *int     `json:"withheld_dwellings,omitempty"`
	WithheldEvents    *int     `json:"withheld_events,omitempty"`
	WithheldFindings  *int     `json:"withheld_findings,omitempty"`
	WithheldFlags     []string `json:"withheld_flags,omitempty"`
	Order             string   `json:"order"`
	Remains           string   `json:"remains"`
}

func (h *discloser) note() *disclosureNote {
	n := &disclosureNote{
		Pseudonyms: "Dwellings and events are named by a keyed hash (HMAC-SHA256) whose key is not published",
		Order:      "Findings and trend are in the order of the pseudonyms; rows of one time in the order of theirs",
		Remains:    "Figures are exact: who has them from elsewhere finds the rows. Days on which a pseudonym has no event may mean that nobody was at home. A step in a unit's figures tells when it was cleaned or failed. risk.csv counts the dwellings that single facts point at.",
	}
	if h.Coarsen != "" {
		n.TimesCoarsenedTo = h.Coarsen
	}
	if h.MinGroup > 1 {
		n.MinimumGroup = h.MinGroup
		n.WithheldDwellings, n.WithheldEvents = &h.withheld.Dwellings, &h.withheld.Events
		n.WithheldFindings, n.WithheldFlags = &h.withheld.Findings, h.withheld.Flags
	}
	return n
}

// times says what times are.
func (h *discloser) times() string {
	if h.Coarsen == "" {
		return "Times are UTC."
	}
	return fmt.Sprintf("A time is the %s that it lies in, by the study's clocks: its first moment, written as if it were UTC.", h.Coarsen)
}

// rename has the tables describe what the disclosure has made of their columns.
func (h *discloser) rename(tables ...*table) {
	texts := map[string]string{
		"event_id": "Identifies the event; a pseudonym, the same when the same data is analysed again with the same key",
		"dwelling": "The dwelling, by a pseudonym",
	}
	if h.MinGroup > 1 {
		texts["segment"] = "Not told: it would give away when the unit was cleaned or changed"
		texts["finding"] = "What the dwelling's events say; healthy where nothing was found, undecided where the data is too short, withheld where fewer dwellings share what was found than may be told"
		texts["flags"] = "Why a figure is missing or weak, separated by semicolons; without those that point at single homes; where such a one said that a figure must not be used, effectiveness and ratio are left out"
	}
	if h.Coarsen != "" {
		when := fmt.Sprintf("The %s in which the event starts, by the study's clocks: its first moment, written as if it were UTC", h.Coarsen)
		texts["start"], texts["end"], texts["at"] = when, "The same as start", when
		texts["since"] = fmt.Sprintf("First %s for which the finding holds, written like the events' start; empty where not known or not told", h.Coarsen)
		for _, name := range []string{"fit", "fit_lo", "fit_hi"} {
			texts[name] = "Not told: it would give away the event's moment"
		}
	}
	for _, t := range tables {
		for i := range t.fields {
			if text, ok := texts[t.fields[i].Name]; ok {
				t.fields[i].Description = text
			}
			if t.fields[i].Name == "finding" && h.MinGroup > 1 {
				t.fields[i].Constraints = &constraints{true, append(slices.Clone(findingCodes), string(withheldFinding))}
			}
		}
	}
}
