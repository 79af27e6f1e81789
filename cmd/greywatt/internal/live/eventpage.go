package live

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/analysis/uncert"
	"greywatt/plots/wording"
)

// A traced event is one with its series and budgets.
type traced struct {
	event event.Event
	trace event.Trace
}

// A traceCache keeps the last events that were looked at: a page asks for the
// same one twice, for its figures and for its chart.
type traceCache struct {
	mu   sync.Mutex
	kept []cachedTrace // the newest last
}

type cachedTrace struct {
	event string
	whole int64 // of which analysis of all: it is another event when that is done anew
	traced
}

const keptTraces = 8

func (t *traceCache) find(event string, whole int64) (traced, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range t.kept {
		if k := &t.kept[i]; k.event == event && k.whole == whole {
			return k.traced, true
		}
	}
	return traced{}, false
}

func (t *traceCache) keep(one cachedTrace) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.kept) == keptTraces {
		t.kept = slices.Delete(t.kept, 0, 1)
	}
	t.kept = append(t.kept, one)
}

// trace analyses the readings around an event.
func (p *Page) trace(ctx context.Context, d *dwelling, e *event.Event) (traced, error) {
	d.mu.Lock()
	whole := d.past.FullRuns
	d.mu.Unlock()
	if t, ok := p.traces.find(e.ID, whole); ok {
		return t, nil
	}
	first, last := analysis.Period{From: e.Start, To: e.Start.Add(1)}.Around()
	var t traced
	var err error
	t.event, t.trace, _, err = analysis.Trace(p.cfg.Study, d.Dwelling, p.cfg.Log.Frames(ctx, d.ID, first, last), e.ID)
	if ctx.Err() != nil {
		return traced{}, ctx.Err()
	}
	if err != nil {
		return traced{}, err
	}
	p.traces.keep(cachedTrace{e.ID, whole, t})
	return t, nil
}

// findEvent returns an event and its neighbours among the dwelling's.
func (p *Page) findEvent(r *http.Request) (d *dwelling, e, earlier, later *event.Event, err error) {
	id := r.PathValue("id")
	if i := strings.LastIndexByte(id, '-'); i >= 0 {
		d = p.byID[id[:i]]
	}
	if d == nil {
		return nil, nil, nil, nil, &problem{http.StatusNotFound, "No such event", "The study has no dwelling that the event could be of."}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	i, ok := d.past.Events.Find(id)
	switch {
	case ok:
	case d.past.Provisional != nil && d.past.Provisional.ID == id:
		return d, nil, nil, nil, &problem{http.StatusNotFound, "Not over yet", "The event is still going on: the dwelling’s page has its figures so far."}
	case !d.past.Ready:
		return d, nil, nil, nil, &problem{http.StatusServiceUnavailable, "Not read yet", "The history of the dwelling is still being read. Load this page again in a while."}
	default:
		return d, nil, nil, nil, &problem{http.StatusNotFound, "No such event", "There is none with that start. Late readings may have moved it: see the dwelling’s events."}
	}
	at := func(i int) *event.Event {
		if i < 0 || i >= d.past.Events.Len() {
			return nil
		}
		e := d.past.Events.Event(i)
		return &e
	}
	return d, at(i), at(i - 1), at(i + 1), nil
}

type budgetPart struct {
	Head, El, Sum, Twice string
	Rows                 []budgetRow
}

type budgetRow struct{ Name, U, Contribution, Share string }

func (p *Page) event(w http.ResponseWriter, r *http.Request) error {
	d, e, earlier, later, err := p.findEvent(r)
	if err != nil {
		return err
	}
	c := p.clock()
	head := map[event.Kind]string{event.Shower: "Shower", event.OtherDraw: "Other draw, without warm waste", event.Partial: "Draw with a gap in the data"}[e.Kind]
	data := struct {
		frame
		Back, Dwelling, Head, When, NoPicture string
		Figures, Means                        []figureOf
		Why                                   *struct {
			Head  string
			Items []string
		}
		Picture        picturePart
		Budgets        []budgetPart
		Earlier, Later string
		Self           string
	}{
		frame: p.frame(r, head+" in "+d.ID+", "+c.short(e.Start)), Back: dwellingPath(d.ID), Dwelling: d.ID, Head: head,
		When: fmt.Sprintf("%s, %s to %s, %s.", d.ID, c.long(e.Start), e.End.Time().In(c.zone).Format("15:04"), connectionWords(e.Connection)),
		Self: eventPath(e.ID),
	}
	data.Figures, data.Means = eventFigures(e), eventMeans(e)
	if len(e.Flags) > 0 {
		data.Why = &struct {
			Head  string
			Items []string
		}{Head: "What weakens the figures"}
		if !finite(e.Effectiveness) {
			data.Why.Head = "Why there is no effectiveness"
		}
		for _, f := range e.Flags {
			data.Why.Items = append(data.Why.Items, wording.Capital(wording.Flag(f)))
		}
	}
	switch t, err := p.trace(r.Context(), d, e); {
	case err == nil:
		d.mu.Lock()
		edition := d.past.Edition
		d.mu.Unlock()
		data.Picture = picturePart{
			Src: eventPath(e.ID) + "/chart.svg?v=" + strconv.FormatInt(edition, 10),
			Alt: "The four temperatures and the mains flow during the event; the figures stand on this page.",
			W:   eventSize.w, H: eventSize.h, NarrowW: eventSize.narrowW, NarrowH: eventSize.narrowH,
		}
		data.Budgets = budgets(&t.event)
	case r.Context().Err() != nil:
		return err
	default:
		p.cfg.Logger.Warn("an event's readings cannot be read", "event", e.ID, "error", err)
		data.NoPicture = "The chart and the budgets are missing: the readings of that time cannot be read any more. The figures are of an analysis from before."
	}
	if earlier != nil {
		data.Earlier = eventPath(earlier.ID)
	}
	if later != nil {
		data.Later = eventPath(later.ID)
	}
	return render(w, http.StatusOK, "event", &data)
}

func connectionWords(c greywatt.Connection) string { return "connection " + c.String() }

// eventFigures are the figures of the whole event, named as the columns of the
// export.
func eventFigures(e *event.Event) []figureOf {
	var fs []figureOf
	add := func(caption, el, value string) { fs = append(fs, figureOf{caption, value, el}) }
	if e.Kind != event.OtherDraw {
		add("Effectiveness", "effectiveness", plusMinus(e.Effectiveness, e.EffectivenessU95, 2))
		add("Expected", "expected", plusMinus(e.Expected, e.ExpectedU95, 2))
		add("Measured / expected", "ratio", plusMinus(e.Ratio, e.RatioU95, 2))
	}
	add("Heat recovered", "heat_kwh", wording.WithUnit(plusMinus(e.HeatKWh, e.HeatU95KWh, 2), "kWh"))
	add("Mains water", "volume_l", wording.WithUnit(wording.Fixed(e.VolumeL, 1), "l"))
	add("Water ran", "running_s", length(e.RunningS))
	return fs
}

// eventMeans are the means over the steady part.
func eventMeans(e *event.Event) []figureOf {
	c := func(v float64) string { return wording.WithUnit(wording.Fixed(v, 2), "°C") }
	fs := []figureOf{
		{"Waste in", c(e.WasteInC), "waste_in_c"}, {"Waste out", c(e.WasteOutC), "waste_out_c"},
		{"Cold in", c(e.ColdInC), "cold_in_c"}, {"Preheated", c(e.PreheatOutC), "preheat_out_c"},
		{"Mains flow", wording.WithUnit(wording.Fixed(e.FlowLMin, 2), "l/min"), "flow_l_min"},
		{"Drain flow, measured or inferred", wording.WithUnit(wording.Fixed(e.WasteFlowLMin, 2), "l/min"), "waste_flow_l_min"},
		{"Drain heat / mains heat", wording.Fixed(e.Balance, 2), "balance"},
		{"Length of the steady part", length(e.SteadyS), "steady_s"},
	}
	switch {
	case finite(e.WasteInC) || finite(e.ColdInC):
		return fs
	case e.SteadyS > 0:
		return fs[len(fs)-1:]
	}
	return nil
}

// budgets lists the uncertainty budgets that the event has, the largest share
// first; what has less than a two-hundredth is added up in one row.
func budgets(e *event.Event) []budgetPart {
	heat, effectiveness, ratio := e.Budgets.Heat, e.Budgets.Effectiveness, e.Budgets.Ratio
	var parts []budgetPart
	add := func(head, el string, b uncert.Budget, scale float64, unit string) {
		if len(b.Rows) == 0 || !(b.U > 0) {
			return
		}
		digits := max(0, 3-int(math.Floor(math.Log10(b.U*scale)))-1)
		part := budgetPart{Head: head, El: el}
		write := func(v float64) string { return wording.WithUnit(wording.Fixed(v*scale, digits), unit) }
		part.Sum, part.Twice = write(b.U), write(b.U95())
		rows := slices.Clone(b.Rows)
		slices.SortStableFunc(rows, func(a, b uncert.Row) int { return cmp.Compare(math.Abs(b.Share), math.Abs(a.Share)) })
		var rest, restShare float64
		n := 0
		for _, row := range rows {
			if math.Abs(row.Share) < 0.005 {
				rest += row.Contribution * row.Contribution
				restShare += row.Share
				if row.Contribution != 0 {
					n++
				}
				continue
			}
			part.Rows = append(part.Rows, budgetRow{
				Name: row.Name, U: significant(row.U, e.Input(row.Name).Unit), Contribution: write(math.Abs(row.Contribution)), Share: share(row.Share),
			})
		}
		if n > 0 {
			part.Rows = append(part.Rows, budgetRow{count(n, "other source"), "", write(math.Sqrt(rest)), share(restShare)})
		}
		parts = append(parts, part)
	}
	add("Effectiveness", "budget-effectiveness", effectiveness, 1, "")
	add("Measured / expected", "budget-ratio", ratio, 1, "")
	add("Heat recovered", "budget-heat", heat, 1/3.6e6, "kWh")
	return parts
}

// significant writes an uncertainty with two digits, in its unit; one that is
// relative in per cent.
func significant(v float64, unit string) string {
	if unit == "1" {
		v, unit = 100*v, "%"
	}
	if !finite(v) || v == 0 {
		return wording.WithUnit(wording.Fixed(v, 0), unit)
	}
	return wording.WithUnit(wording.Fixed(v, max(0, 1-int(math.Floor(math.Log10(math.Abs(v)))))), unit)
}
