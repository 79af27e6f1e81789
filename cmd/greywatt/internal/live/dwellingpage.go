package live

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/plots/wording"
)

// safe marks what our own templates have rendered.
func safe(rendered string) template.HTML { return template.HTML(rendered) }

// A reading is a channel's present value and where on the page it stands.
type reading struct{ Name, Words, El, Value, Unit string }

var channelWords = [greywatt.NumChannels]string{
	"Waste in", "Waste out", "Cold in", "Preheated", "Mains flow", "Room", "Waste flow",
}

// corners are the four ports as they sit on the unit: waste falls on the left,
// mains rises on the right.
var corners = [4]greywatt.Channel{greywatt.WasteIn, greywatt.PreheatOut, greywatt.WasteOut, greywatt.ColdIn}

// A figureOf is a caption and what stands under it.
type figureOf struct{ Caption, Value, El string }

type findingsPart struct {
	Waiting, Late string
	Items         []foundPart
}

type foundPart struct {
	Class, Head, Sure, Evidence string
	Checks, Cautions            []string
}

type picturePart struct {
	Src, Alt, None         string
	W, H, NarrowW, NarrowH int
}

type soFarPart struct {
	Head, Words, Why string
	Figures          []figureOf
}

type eventRow struct {
	Href, At, Start, Kind, Length, Water, Effectiveness, Ratio, Heat string
	Minor, Weak                                                      bool // a draw without warm waste; no effectiveness
}

type eventsPart struct {
	Head, None string
	Rows       []eventRow
	More       *linkTo
}

type nodesPart struct {
	Rows     []nodeRow
	More     string   // what is left out
	Clocks   []string // those that are wrong
	Complete string
	Gaps     []string
}

type nodeRow struct {
	Node, Last, Readings, Conflicts string
	State                           stateWords
}

// listedGaps is how many gaps in the data a dwelling's page lists.
const listedGaps = 5

// lastShowers is how many showers a dwelling's page lists.
const lastShowers = 8

// texts returns the present figures by the elements that they stand in. The
// caller holds d.mu.
func (d *dwelling) texts(c clock) map[string]string {
	t := map[string]string{"asof": "no reading yet"}
	if d.present.newest != 0 {
		t["asof"] = "as of " + c.second(d.present.newest)
	}
	for ch := range greywatt.Channel(greywatt.NumChannels) {
		t[element(ch)] = wording.Fixed(d.present.value(ch), 1)
	}
	return t
}

func element(ch greywatt.Channel) string { return "v-" + ch.String() }

// parts renders what else changes on the dwelling's page, by element. The caller
// holds d.mu.
func (d *dwelling) parts(c clock) map[string]string {
	return map[string]string{
		"state":    fragment("state", d.stateWords(c)),
		"sofar":    fragment("sofar", d.soFarPart(c)),
		"findings": fragment("findings", d.findingsPart(c)),
		"alarms":   fragment("alarms", d.alarmsPart(c)),
		"trend":    fragment("trend", d.trendPart(c)),
		"events":   fragment("last", d.eventsPart(c)),
		"nodes":    fragment("nodes", d.nodesPart(c)),
	}
}

func (d *dwelling) soFarPart(c clock) *soFarPart {
	e := d.past.Provisional
	if e == nil {
		return nil
	}
	part := &soFarPart{Head: "This draw", Words: fmt.Sprintf("Since %s: %s of water in %s.", c.second(e.Start), litres(e.VolumeL), length(e.RunningS))}
	if !e.Has(event.FlagNoWarmWaste) {
		part.Head = "This shower"
	}
	part.Figures = []figureOf{{Caption: "Heat recovered so far", Value: wording.WithUnit(plusMinus(e.HeatKWh, e.HeatU95KWh, 2), "kWh")}}
	if !e.Has(event.FlagNoWarmWaste) {
		part.Figures = append(part.Figures,
			figureOf{Caption: "Effectiveness so far", Value: plusMinus(e.Effectiveness, e.EffectivenessU95, 2)},
			figureOf{Caption: "Expected at these flows", Value: wording.Fixed(e.Expected, 2)},
			figureOf{Caption: "Measured / expected so far", Value: plusMinus(e.Ratio, e.RatioU95, 2)})
	}
	switch {
	case !d.present.running():
		part.Why = "The water has stopped. The final figures come about five minutes after, when nothing more belongs to it."
	case finite(e.Effectiveness):
	case e.Has(event.FlagNoWarmWaste):
		part.Why = "No warm waste water so far, so there is nothing to recover from."
	default:
		part.Why = "No effectiveness yet: " + unsettled(e) + "."
	}
	return part
}

// unsettled says why the running water has no effectiveness yet.
func unsettled(e *event.Event) string {
	for _, f := range e.Flags {
		switch f {
		case event.FlagEndHidden, event.FlagRoomAssumed, event.FlagCoarseMeter, event.FlagSpikes:
		case event.FlagNoSettledFlow:
			return "flow and temperatures have not settled"
		default:
			return wording.Flag(f)
		}
	}
	return "flow and temperatures have not settled"
}

func litres(v float64) string {
	if v < 10 {
		return wording.WithUnit(wording.Fixed(v, 1), "l")
	}
	return wording.WithUnit(wording.Fixed(v, 0), "l")
}

func (d *dwelling) findingsPart(c clock) findingsPart {
	var part findingsPart
	switch {
	case d.past.Trouble != "":
		part.Waiting = "The log of this dwelling cannot be read: " + d.past.Trouble + ". What stands here is old. Logging goes on."
	case d.past.Ready:
	case d.held.Newest == 0:
		part.Waiting = "Nothing can be said before the first showers."
	default:
		part.Waiting = "The history is being read. What it says will stand here in a while."
	}
	for _, f := range d.past.Diagnosis.Findings {
		item := foundPart{Class: "ok", Head: c.headline(f), Sure: sure(f), Evidence: wording.Capital(strings.TrimSuffix(f.Evidence, "."))}
		switch f.Code {
		case finding.Healthy:
			item.Head = "Healthy: does what its rating says"
		case finding.Undecided:
			item.Head, item.Class = "Undecided: too little evidence so far", "open"
		default:
			item.Class = "fault"
		}
		item.Checks, item.Cautions = sentences(f.Advice), f.Cautions
		part.Items = append(part.Items, item)
	}
	if d.past.Late {
		part.Late = "Late readings have come that are not in this yet. It will be worked out anew in a while."
	}
	if n := d.past.Damaged; n > 0 {
		part.Late = strings.TrimSpace(part.Late + fmt.Sprintf(" %s of the log cannot be read and is not in this.", count(n, "part")))
	}
	return part
}

func (d *dwelling) trendPart(c clock) picturePart {
	points := d.past.Diagnosis.Trend
	if !d.past.Ready && d.held.Newest != 0 {
		return picturePart{None: "The history is being read."}
	}
	if len(points) < 2 {
		return picturePart{None: "The trend is drawn from the second measured shower on."}
	}
	alt := fmt.Sprintf("Conductance of the unit against its rating, shower by shower: %s, from %s to %s.",
		count(len(points), "shower"), c.date(points[0].At), c.date(points[len(points)-1].At))
	if last := points[len(points)-1]; finite(last.Fit) {
		alt += " The trend ends at " + wording.Fixed(last.Fit, 2) + "."
	}
	return picturePart{
		Src: dwellingPath(d.ID) + "/trend.svg?v=" + strconv.FormatInt(d.past.Edition, 10), Alt: alt,
		W: trendSize.w, H: trendSize.h, NarrowW: trendSize.narrowW, NarrowH: trendSize.narrowH,
	}
}

func (d *dwelling) eventsPart(c clock) eventsPart {
	part := eventsPart{Head: "Last showers", None: "No shower yet."}
	if !d.past.Ready && d.held.Newest != 0 {
		part.None = "The history is being read."
	}
	n := d.past.Events.Len()
	for i := n - 1; i >= 0 && len(part.Rows) < lastShowers; i-- {
		if e := d.past.Events.Event(i); e.Kind != event.OtherDraw {
			part.Rows = append(part.Rows, c.eventRow(&e))
		}
	}
	if n > 0 {
		part.More = &linkTo{dwellingPath(d.ID) + "/events", "All " + count(n, "event") + ", with draws that bring no warm waste"}
	}
	return part
}

func (c clock) eventRow(e *event.Event) eventRow {
	return eventRow{
		Href: eventPath(e.ID), At: machine(e.Start), Start: c.short(e.Start), Kind: kindWords(e.Kind),
		Length: length(e.RunningS), Water: litres(e.VolumeL),
		Effectiveness: plusMinus(e.Effectiveness, e.EffectivenessU95, 2), Ratio: plusMinus(e.Ratio, e.RatioU95, 2),
		Heat: wording.WithUnit(plusMinus(e.HeatKWh, e.HeatU95KWh, 2), "kWh"), Minor: e.Kind == event.OtherDraw, Weak: !finite(e.Effectiveness),
	}
}

func kindWords(k event.Kind) string {
	if k == event.Partial {
		return "Partial, a gap in the data"
	}
	return wording.Capital(wording.Plain(k))
}

// listedNodes is how many nodes of a dwelling its page lists: more than any has.
const listedNodes = 50

func (d *dwelling) nodesPart(c clock) nodesPart {
	var part nodesPart
	// Those that are up or were heard last: names may have been made up.
	nodes := slices.Clone(d.held.Nodes)
	if len(nodes) > listedNodes {
		slices.SortStableFunc(nodes, func(a, b watch.Node) int { return cmp.Compare(max(b.Last, b.Since), max(a.Last, a.Since)) })
		part.More = fmt.Sprintf("The %d of %d nodes that were heard last.", listedNodes, len(nodes))
		nodes = nodes[:listedNodes]
	}
	for _, n := range nodes {
		row := nodeRow{Node: n.Node, Last: wording.Unknown, Readings: grouped(n.Readings), Conflicts: grouped(n.Conflicts)}
		if n.Last != 0 {
			row.Last = c.short(n.Last)
		}
		switch {
		case !n.Heard:
			row.State = stateWords{never, "Does not report it"}
		case n.Up:
			row.State = stateWords{up, "Up since " + c.short(n.Since)}
		default:
			row.State = stateWords{down, "Down since " + c.short(n.Since)}
		}
		part.Rows = append(part.Rows, row)
	}
	for i, w := range d.clocks {
		if i == listedNodes {
			part.Clocks = append(part.Clocks, fmt.Sprintf("%d more clocks are wrong: see the command clocks.", len(d.clocks)-i))
			break
		}
		what := w.What
		if !strings.HasSuffix(what, "?") {
			what += "."
		}
		part.Clocks = append(part.Clocks, fmt.Sprintf("The clock of %s %s What it stamped stands at wrong times.", w.Node, what))
	}
	if k := d.past.Complete; k.Span.From != 0 && finite(k.Share) {
		part.Complete = fmt.Sprintf("%s of the hours from %s to %s have readings of every needed channel.", share(k.Share), c.date(k.Span.From), c.date(k.Span.To))
		outages := k.Outages()
		n := len(outages)
		switch {
		case n > listedGaps:
			part.Complete += fmt.Sprintf(" The newest %d of %d gaps of more than an hour:", listedGaps, n)
		case n > 0:
			part.Complete += " Gaps of more than an hour, the newest first:"
		}
		for i := n - 1; i >= max(0, n-listedGaps); i-- {
			var names []string
			for _, ch := range outages[i].Channels {
				names = append(names, wording.Plain(ch.String()))
			}
			part.Gaps = append(part.Gaps, fmt.Sprintf("%s: %s from %s on", strings.Join(names, ", "), length(outages[i].Span.Seconds()), c.short(outages[i].Span.From)))
		}
	}
	return part
}

// about says what study file and journal say of the unit as it is.
func (d *dwelling) about() string {
	now := d.Last()
	feeds := map[greywatt.Connection]string{
		greywatt.ConnectionA: "Connection A, to the mixer and the water heater",
		greywatt.ConnectionB: "Connection B, to the mixer only",
		greywatt.ConnectionC: "Connection C, to the water heater only",
	}[now.Connection]
	unit := &now.Exchanger
	s := fmt.Sprintf("%s. %s unit", feeds, wording.Capital(string(unit.Orientation)))
	if unit.Serial != "" {
		s += " " + unit.Serial
	}
	if unit.Place != "" {
		s += ", " + unit.Place
	}
	for i, r := range unit.Rated {
		if i == 0 {
			s += ", rated"
		} else {
			s += ","
		}
		s += fmt.Sprintf(" %s at %s l/min", wording.Fixed(r.Effectiveness, 2), strconv.FormatFloat(math.Round(100*r.FlowLMin)/100, 'f', -1, 64))
	}
	return s + "."
}

func (p *Page) find(r *http.Request) (*dwelling, error) {
	if d := p.byID[r.PathValue("id")]; d != nil {
		return d, nil
	}
	return nil, &problem{http.StatusNotFound, "No such dwelling", "The study has no dwelling of that name."}
}

func (p *Page) dwelling(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	c := p.clock()
	data := struct {
		frame
		ID, About, AsOf string
		DrawnS          int
		State           stateWords
		Corners, Beside []reading
		SoFar           *soFarPart
		Findings        findingsPart
		Alarms          alarmsPart
		Trend           picturePart
		Events          eventsPart
		Nodes           nodesPart
		Cleaning        cleaningPart
		Back            string
	}{frame: p.frame(r, d.ID), ID: d.ID, About: d.about(), DrawnS: drawnS}
	d.mu.Lock()
	texts := d.texts(c)
	data.AsOf = texts["asof"]
	at := func(ch greywatt.Channel, unit string) reading {
		return reading{ch.String(), channelWords[ch], element(ch), texts[element(ch)], unit}
	}
	for _, ch := range corners {
		data.Corners = append(data.Corners, at(ch, "°C"))
	}
	data.Beside = append(data.Beside, at(greywatt.Flow, "l/min"))
	if d.present.latest[greywatt.WasteFlow].At != 0 {
		data.Beside = append(data.Beside, at(greywatt.WasteFlow, "l/min"))
	}
	if d.present.latest[greywatt.Ambient].At != 0 {
		data.Beside = append(data.Beside, at(greywatt.Ambient, "°C"))
	}
	data.State, data.SoFar = d.stateWords(c), d.soFarPart(c)
	data.Findings, data.Alarms, data.Trend = d.findingsPart(c), d.alarmsPart(c), d.trendPart(c)
	data.Events, data.Nodes = d.eventsPart(c), d.nodesPart(c)
	data.Stream = dwellingPath(d.ID) + "/stream?since=" + strconv.FormatInt(d.version, 10)
	d.mu.Unlock()
	data.Cleaning, data.Back = p.cleaningPart(d, c), dwellingPath(d.ID)
	if may, _ := p.mayNote(r); may {
		data.Cleaning.Note = dwellingPath(d.ID) + "/note?kind=" + string(greywatt.FactCleaned)
	}
	return render(w, http.StatusOK, "dwelling", &data)
}

// dwellingStream follows a dwelling: its figures, the drawing, and the parts of
// the page that a new version changes.
func (p *Page) dwellingStream(r *http.Request) (source, error) {
	d, err := p.find(r)
	if err != nil {
		return source{}, err
	}
	since, _ := strconv.ParseInt(r.URL.Query().Get("since"), 10, 64)
	news, leave := d.watch()
	sent := map[string]string{} // texts and parts, by element
	notices := ""
	guided := r.URL.Query().Has("run")
	var seq uint32
	first := true
	next := func() (m message) {
		c := p.clock()
		d.mu.Lock()
		defer d.mu.Unlock()
		for el, text := range d.texts(c) {
			if old, ok := sent[el]; !ok || old != text {
				sent[el] = text
				set(&m.Text, el, text)
			}
		}
		parts := map[string]string{"state": fragment("state", d.stateWords(c))}
		if guided {
			parts["run"] = fragment("run", d.runPart(c))
		} else if d.version != since || first {
			parts = d.parts(c)
		}
		for el, html := range parts {
			if old, ok := sent[el]; ok && old != html || !ok && !(first && d.version == since) {
				set(&m.HTML, el, html)
			}
			sent[el] = html
		}
		if n := fragment("notices", p.notices()); n != notices {
			notices = n
			set(&m.HTML, "notices", n)
		}
		if !guided {
			m.Strip = d.strip(seq)
		}
		seq, since, first = d.present.seq, d.version, false
		return m
	}
	return source{news: news, next: next, leave: leave, every: pushEvery}, nil
}

func set(m *map[string]string, key, value string) {
	if *m == nil {
		*m = map[string]string{}
	}
	(*m)[key] = value
}

// strip returns what the drawing does not have yet; nil for nothing. The caller
// holds d.mu.
func (d *dwelling) strip(since uint32) *strip {
	if d.present.seq == since {
		return nil
	}
	base := d.present.newest.Add(-keptS)
	s := &strip{Base: int64(base) / 1000, Edge: int64(d.present.newest-base) / 100_000}
	for ch := range s.Points {
		new := d.present.since(greywatt.Channel(ch), since)
		for len(new) > 0 && new[0].at < base {
			new = new[1:]
		}
		s.Points[ch] = points{base, append([]point(nil), new...)}
	}
	return s
}

// listed is how many events stand on a page of all.
const listed = 100

func (p *Page) allEvents(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	d.mu.Lock()
	events, ready := d.past.Events, d.past.Ready
	d.mu.Unlock()
	page, err := strconv.Atoi(r.URL.Query().Get("page"))
	if err != nil || page < 1 || (page-1)*listed >= max(1, events.Len()) {
		page = 1
	}
	c := p.clock()
	data := struct {
		frame
		ID, Back, Words, Newer, Older string
		Rows                          []eventRow
	}{frame: p.frame(r, "All events of "+d.ID), ID: d.ID, Back: dwellingPath(d.ID)}
	to := events.Len() - (page-1)*listed
	from := max(0, to-listed)
	switch {
	case !ready:
		data.Words = "The history is being read. This page looks again in some seconds."
		data.Again = 5
	case events.Len() == 0:
		data.Words = "No shower and no other draw yet."
	default:
		data.Words = fmt.Sprintf("%s, here from %s to %s.", wording.Capital(count(events.Len(), "event")), c.date(events.Event(from).Start), c.date(events.Event(to-1).Start))
	}
	for i := to - 1; i >= from; i-- {
		e := events.Event(i)
		data.Rows = append(data.Rows, c.eventRow(&e))
	}
	at := func(n int) string {
		return dwellingPath(d.ID) + "/events?" + url.Values{"page": {strconv.Itoa(n)}}.Encode()
	}
	if page > 1 {
		data.Newer = at(page - 1)
	}
	if from > 0 {
		data.Older = at(page + 1)
	}
	return render(w, http.StatusOK, "allevents", &data)
}
