package live

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/ingest/journal"
	"greywatt/ingest/studyfile"
	"greywatt/plots/wording"
)

// A Journal keeps dated facts about the dwellings.
type Journal interface {
	// Facts returns the facts in the journal's order, withdrawn ones too.
	Facts() ([]greywatt.Fact, error)
	// Append adds a fact; once it returns, the fact is on disk. added is false where
	// there is one of its id already.
	Append(fact greywatt.Fact) (added bool, err error)
}

// A noteKind is a kind of fact that may be noted on the page.
type noteKind struct {
	Kind     greywatt.FactKind
	Words    string // what was done or found
	Hint     string // what to write
	NeedText bool
	Sensor   bool // of one channel
	Meter    bool // that channel is a flow
	Offset   bool
	Until    bool
	Rated    bool
	Heater   bool
	Scale    bool
	Clamp    bool // description of a clamp
	Serial   bool // of the unit
	Place    bool
	Feeds    bool // what the preheated water feeds
	Cautions []string
}

const (
	cautionElectric = "Keep mains-powered tools and chargers away from wet pipes."
	cautionHot      = "Hot-water pipes and the heater burn: let them cool before touching."
	cautionPressure = "Shut off and relieve the pressure before opening anything on the mains side."
)

var pipeCautions = []string{finding.CautionPipe, cautionPressure, cautionHot, cautionElectric, finding.CautionScald, finding.CautionStale}

// noteKinds are in the order in which the page offers them.
var noteKinds = []noteKind{
	{Kind: greywatt.FactCleaned, Words: "Unit cleaned", Hint: "what was used, what came out", Cautions: cleaningCautions},
	{Kind: greywatt.FactValveHalfOpen, Words: "Valve found half open, opened", Hint: "which valve", Cautions: pipeCautions},
	{Kind: greywatt.FactRepaired, Words: "Repaired", Hint: "what was put right", NeedText: true, Cautions: pipeCautions},
	{Kind: greywatt.FactOffset, Words: "Offset of a clamp", Hint: "how it was found", Sensor: true, Offset: true, Cautions: []string{cautionElectric, cautionHot}},
	{Kind: greywatt.FactClampMoved, Words: "Clamp refitted or moved", Hint: "where to", Sensor: true, Cautions: []string{cautionElectric, cautionHot}},
	{Kind: greywatt.FactClampReplaced, Words: "Clamp replaced", Hint: "its serial number", Sensor: true, Clamp: true, Cautions: []string{cautionElectric, cautionHot}},
	{Kind: greywatt.FactMeterMoved, Words: "Flow meter moved", Hint: "where to", Sensor: true, Meter: true, Cautions: pipeCautions},
	{Kind: greywatt.FactMeterReplaced, Words: "Flow meter replaced", Hint: "its serial number", Sensor: true, Meter: true, Scale: true, Cautions: pipeCautions},
	{Kind: greywatt.FactHeadReplaced, Words: "Shower head replaced", Hint: "its flow", Cautions: []string{finding.CautionScald}},
	{Kind: greywatt.FactUnitMoved, Words: "Unit moved or set plumb", Hint: "what was done", Place: true, Cautions: pipeCautions},
	{Kind: greywatt.FactUnitReplaced, Words: "Unit replaced", Hint: "why", Rated: true, Serial: true, Place: true, Cautions: pipeCautions},
	{Kind: greywatt.FactReconnected, Words: "Reconnected", Hint: "what was done", Feeds: true, Cautions: pipeCautions},
	{Kind: greywatt.FactHeaterReplaced, Words: "Water heater replaced", Hint: "its type", Heater: true, Cautions: pipeCautions},
	{Kind: greywatt.FactNote, Words: "Remark", Hint: "the remark", NeedText: true},
	{Kind: greywatt.FactLeftOut, Words: "Leave out a period", Hint: "why it is not to count", NeedText: true, Until: true},
}

func findKind(name string) (noteKind, bool) {
	i := slices.IndexFunc(noteKinds, func(k noteKind) bool { return string(k.Kind) == name })
	if i < 0 {
		return noteKind{}, false
	}
	return noteKinds[i], true
}

func kindOfFact(k greywatt.FactKind) string {
	if of, ok := findKind(string(k)); ok {
		return of.Words
	}
	return wording.Capital(wording.Plain(k))
}

// A factRow is a fact as the page lists it.
type factRow struct {
	ID, At, When, What, Text, Who string
	Withdrawn                     bool
	Withdraw                      string // address of the form that withdraws it
}

// mayNote reports whether who makes the request may note facts, and where not,
// what is missing.
func (p *Page) mayNote(r *http.Request) (may bool, why string) {
	if p.cfg.Journal == nil {
		return false, "This page cannot note anything: it follows a study that is kept elsewhere."
	}
	if role, _ := p.access.who(r); role == Engineer {
		return true, ""
	}
	if p.access.users == nil {
		return false, "To note things here, sign in as an engineer: greywatt users add NAME --engineer --users users.txt makes one, --http-users users.txt lets them sign in. The command note does the same from the shell."
	}
	return false, "An engineer may note things here; you are signed in as a viewer."
}

// facts lists the facts of a dwelling, the newest first.
func (p *Page) facts(d *dwelling, c clock, may bool) (rows []factRow, all []greywatt.Fact, err error) {
	if p.cfg.Journal == nil {
		return nil, nil, nil
	}
	all, err = p.cfg.Journal.Facts()
	if err != nil {
		return nil, nil, err
	}
	withdrawn := map[string]bool{}
	for i := range all {
		if all[i].Kind == greywatt.FactWithdrawn {
			withdrawn[all[i].Of] = true
		}
	}
	for i := range all {
		f := &all[i]
		if f.Dwelling != d.ID || f.Kind == greywatt.FactWithdrawn {
			continue
		}
		row := factRow{ID: f.ID, At: machine(f.At), When: c.moment(f.At), What: factWords(f), Text: f.Text, Withdrawn: withdrawn[f.ID]}
		if f.By != "" {
			row.Who = "noted by " + f.By
		}
		if may && !row.Withdrawn {
			row.Withdraw = dwellingPath(d.ID) + "/note?" + url.Values{"kind": {string(greywatt.FactWithdrawn)}, "of": {f.ID}}.Encode()
		}
		if f.Until != 0 {
			row.When += " to " + c.moment(f.Until)
		}
		rows = append(rows, row)
	}
	slices.SortStableFunc(rows, func(a, b factRow) int { return cmp.Compare(b.At, a.At) })
	return rows, all, nil
}

// factWords says what a fact is, with its figures.
func factWords(f *greywatt.Fact) string {
	s := kindOfFact(f.Kind)
	if f.Kind.OfSensor() {
		s += ", " + wording.Plain(f.Channel.String())
	}
	if f.Connection != 0 {
		s += ", " + connectionWords(f.Connection)
	}
	if f.Place != "" {
		s += ": " + f.Place
	}
	if f.Kind == greywatt.FactOffset {
		s += fmt.Sprintf(": %s K", wording.Signed(fmt.Sprintf("%+.2f", f.OffsetK)))
		if f.U95K > 0 {
			s += fmt.Sprintf(" ± %s K", wording.Fixed(f.U95K, 2))
		}
	}
	return s
}

// moment writes a time by the minute with its whole date.
func (c clock) moment(at greywatt.Instant) string {
	return at.Time().In(c.zone).Format("2 January 2006, 15:04")
}

// notes lists what was done to a dwelling and found there.
func (p *Page) notes(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	c := p.clock()
	data := struct {
		frame
		ID, Back, Why, Noted, NotNoted string
		FormAgain                      string // the form that was not noted
		Kinds                          []linkTo
		Rows                           []factRow
	}{frame: p.frame(r, "Journal of "+d.ID), ID: d.ID, Back: dwellingPath(d.ID)}
	may, why := p.mayNote(r)
	data.Why = why
	if may {
		for _, k := range noteKinds {
			data.Kinds = append(data.Kinds, linkTo{dwellingPath(d.ID) + "/note?kind=" + string(k.Kind), k.Words})
		}
	}
	rows, all, err := p.facts(d, c, may)
	if err != nil {
		return journalProblem(err)
	}
	data.Rows = rows
	if id := r.URL.Query().Get("noted"); id != "" {
		if slices.ContainsFunc(all, func(f greywatt.Fact) bool { return f.Dwelling == d.ID && isOf(f.ID, id) }) {
			data.Noted = id
		} else {
			data.NotNoted = id
			if again := r.URL.Query().Get("again"); again != "" {
				data.FormAgain = local(again)
			}
		}
	}
	return render(w, http.StatusOK, "notes", &data)
}

// A noteForm is the form of one fact, as it was filled in.
type noteForm struct {
	frame
	noteKind
	ID, Back, Action, Form string // Form: id under which the fact is noted, once
	At, UntilAt, Text      string
	Of, OfWords            string
	Channels               []choice
	OffsetK, U95K          string
	ScaleV, RatedV         string
	HotC, Efficiency       string
	SerialV, PlaceV        string
	Connections            []connectionChoice
	Seen                   int // facts that the form was made in sight of
	Wrong                  []string
}

const inputTime = "2006-01-02T15:04"

func (p *Page) noteForm(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	if may, why := p.mayNote(r); !may {
		return &problem{http.StatusForbidden, "Not for you to note", why}
	}
	form, err := p.newForm(r, d, r.URL.Query())
	if err != nil {
		return err
	}
	form.Form, form.At = journal.NewID(), p.clock().now.Format(inputTime)
	if form.Seen, _, err = p.others(d, "", math.MaxInt); err != nil {
		return journalProblem(err)
	}
	return render(w, http.StatusOK, "note", form)
}

// newForm returns the form of the kind that values name, with what they have.
func (p *Page) newForm(r *http.Request, d *dwelling, values url.Values) (*noteForm, error) {
	name := values.Get("kind")
	k, ok := findKind(name)
	if name == string(greywatt.FactWithdrawn) {
		k, ok = noteKind{Kind: greywatt.FactWithdrawn, Words: "Withdraw", Hint: "what was wrong"}, true
	}
	if !ok {
		return nil, &problem{http.StatusNotFound, "No such note", "Choose what to note on the journal’s page."}
	}
	form := &noteForm{frame: p.frame(r, k.Words), noteKind: k, ID: d.ID, Back: dwellingPath(d.ID), Action: dwellingPath(d.ID) + "/note",
		Form: values.Get("form"), At: values.Get("at"), UntilAt: values.Get("until"), Text: values.Get("text"), Of: values.Get("of"),
		OffsetK: values.Get("offset_k"), U95K: values.Get("u95_k"), ScaleV: values.Get("scale"), RatedV: values.Get("rated"),
		HotC: values.Get("hot_c"), Efficiency: values.Get("efficiency"), SerialV: values.Get("serial"), PlaceV: values.Get("place")}
	if k.Feeds {
		form.Connections = connectionChoices(values.Get("connection"))
	}
	for ch := range greywatt.Channel(greywatt.NumChannels) {
		if k.Sensor && ch.IsFlow() == k.Meter {
			form.Channels = append(form.Channels, choice{ch.String(), channelWords[ch], ch.String() == values.Get("channel")})
		}
	}
	if form.Of != "" {
		all, err := p.cfg.Journal.Facts()
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(all, func(f greywatt.Fact) bool { return f.ID == form.Of && f.Dwelling == d.ID })
		if i < 0 {
			return nil, &problem{http.StatusNotFound, "No such fact", "The journal has none of that id for this dwelling."}
		}
		form.OfWords = factWords(&all[i]) + ", " + p.clock().moment(all[i].At)
	}
	return form, nil
}

// note adds what a form says to the journal: once, however often it is sent.
func (p *Page) note(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	if err := p.checkChange(r); err != nil {
		return err
	}
	form, err := p.newForm(r, d, r.PostForm)
	if err != nil {
		return err
	}
	fact, wrong := p.fact(r, d, form)
	status := http.StatusUnprocessableEntity
	p.changes.Lock()
	defer p.changes.Unlock()
	if len(wrong) == 0 {
		var told []string
		if form.Seen, told, err = p.others(d, fact.ID, seen(r)); err != nil {
			return journalProblem(err)
		}
		if len(told) > 0 {
			status, wrong = http.StatusConflict, told
		}
	}
	if len(wrong) == 0 {
		_, err = p.cfg.Journal.Append(fact)
		var mistakes studyfile.Mistakes
		var broken *journal.InJournal
		switch {
		case err == nil:
			http.Redirect(w, r, dwellingPath(d.ID)+"/notes?noted="+url.QueryEscape(fact.ID), http.StatusSeeOther)
			return nil
		case errors.As(err, &broken):
			wrong = []string{wording.Sentence(err.Error())}
		case errors.As(err, &mistakes):
			for _, m := range mistakes {
				key := m.Key[strings.LastIndexByte(m.Key, '.')+1:]
				wrong = append(wrong, wording.Capital(wording.Plain(key))+": "+m.What+"; "+wording.Sentence(m.Remedy))
			}
		default:
			p.cfg.Logger.Error("a fact could not be noted", "dwelling", d.ID, "kind", fact.Kind, "error", err)
			wrong = []string{"It is not noted: the journal could not be written. " + wording.Sentence(err.Error())}
		}
	}
	form.Wrong = wrong
	if form.Seen == 0 {
		form.Seen = seen(r)
	}
	return render(w, status, "note", form)
}

// seen returns how many facts of the dwelling its form was made in sight of.
func seen(r *http.Request) int {
	n, err := strconv.Atoi(r.PostFormValue("seen"))
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// others returns how many facts of the dwelling say what holds there, remarks not
// among them, and tells of those beyond the first since, which somebody noted while a
// form was open. It tells nothing where the form's own fact, or one of its facts, is
// there already.
func (p *Page) others(d *dwelling, id string, since int) (n int, told []string, err error) {
	facts, err := p.cfg.Journal.Facts()
	if err != nil {
		return 0, nil, err
	}
	own := false
	for i := range facts {
		f := &facts[i]
		if f.Dwelling != d.ID || f.Kind == greywatt.FactNote {
			continue
		}
		own = own || isOf(f.ID, id)
		if n++; n > since {
			told = append(told, fmt.Sprintf("While this form was open, %s noted: %s, from %s on.", cmp.Or(f.By, "somebody"), factWords(f), p.clock().moment(f.At)))
		}
	}
	if own {
		return n, nil, nil
	}
	if len(told) > 0 {
		told = append(told, "Yours is not noted yet. Where it still holds, send it again.")
	}
	return n, told, nil
}

// isOf reports whether a fact is of the form with an id: its own, or one of several
// that it makes.
func isOf(fact, form string) bool {
	return form != "" && (fact == form || strings.HasPrefix(fact, form+"-"))
}

// journalProblem says that the journal cannot be read, and why.
func journalProblem(err error) error {
	return &problem{http.StatusServiceUnavailable, "The journal cannot be read", wording.Sentence(err.Error()) + " Correct it, and load this page again. Logging goes on."}
}

// formMemory is how much of a form with photos is held in memory; the rest is in
// files for the while.
const formMemory = 2 << 20

// checkChange returns why the request may not change anything.
func (p *Page) checkChange(r *http.Request) error {
	if may, why := p.mayNote(r); !may {
		return &problem{http.StatusForbidden, "Not for you to note", why}
	}
	err := r.ParseForm()
	if err == nil && strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/") {
		err = r.ParseMultipartForm(formMemory)
	}
	if err != nil {
		if tooLarge := (*http.MaxBytesError)(nil); errors.As(err, &tooLarge) {
			return &problem{http.StatusRequestEntityTooLarge, "Not noted", fmt.Sprintf("The form has more than %d kB. Make it shorter, or its photos fewer or smaller.", tooLarge.Limit>>10)}
		}
		return &problem{http.StatusBadRequest, "Not noted", "The form did not come whole. Send it again."}
	}
	if err := p.access.checkToken(r, sessionCookie); err != nil {
		return &problem{http.StatusForbidden, "Not noted", wording.Capital(err.Error()) + "."}
	}
	if !p.access.mayChange(r) {
		return &problem{http.StatusTooManyRequests, "Not noted", "Too many notes at once. Wait some seconds and send it again: it counts once."}
	}
	return nil
}

// fact makes a fact of a form, or says what is wrong with it.
func (p *Page) fact(r *http.Request, d *dwelling, form *noteForm) (f greywatt.Fact, wrong []string) {
	c := p.clock()
	_, name := p.access.who(r)
	f = greywatt.Fact{ID: form.Form, Dwelling: d.ID, Kind: form.Kind, By: name, Via: "page " + r.URL.Path, Noted: greywatt.InstantOf(c.now),
		Text: oneLine(form.Text), Of: form.Of}
	bad := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	when := func(what, text string) greywatt.Instant {
		t, err := time.ParseInLocation(inputTime, text, c.zone)
		if err != nil {
			bad("%s: want a date and a time, such as 2026-03-02T09:30.", what)
			return 0
		}
		if t.After(c.now.Add(time.Minute)) && what == "When" {
			bad("When: that is in the future.")
		}
		return greywatt.InstantOf(t)
	}
	num := func(what, text string, least, most float64) float64 {
		v, err := strconv.ParseFloat(strings.ReplaceAll(strings.TrimSpace(text), ",", "."), 64)
		if err != nil || !(v >= least && v <= most) {
			bad("%s: want a number from %g to %g.", what, least, most)
		}
		return v
	}
	if form.Form == "" {
		bad("The form has no id. Load it again.")
	}
	f.At = when("When", form.At)
	if form.NeedText && f.Text == "" {
		bad("Remark: say in a few words %s.", form.Hint)
	}
	if form.Until {
		if f.Until = when("Until", form.UntilAt); f.Until != 0 && f.Until <= f.At {
			bad("Until: that is not after its beginning.")
		}
	}
	if form.Sensor {
		ch, ok := greywatt.ParseChannel(r.PostFormValue("channel"))
		if !ok || ch.IsFlow() != form.Meter {
			bad("Sensor: choose one.")
		}
		f.Channel = ch
	}
	present := greywatt.DefaultSensor(f.Channel)
	if now := d.At(f.At).Sensors; form.Sensor {
		if i := slices.IndexFunc(now, func(s greywatt.Sensor) bool { return s.Channel == f.Channel }); i >= 0 {
			present = now[i]
		}
	}
	switch {
	case form.Offset:
		f.OffsetK = num("Offset", form.OffsetK, -20, 20)
		if form.U95K != "" {
			f.U95K = num("Uncertainty", form.U95K, 0, 10)
		}
	case form.Clamp:
		s := greywatt.DefaultSensor(f.Channel)
		s.Node, s.ResponseS, s.LossFraction = present.Node, present.ResponseS, present.LossFraction
		s.OffsetK, s.U95K = num("Offset", form.OffsetK, -20, 20), num("Uncertainty", form.U95K, 0, 10)
		f.Sensor = &s
	case form.Scale:
		s := greywatt.DefaultSensor(f.Channel)
		s.Node = present.Node
		s.Scale = num("Scale", form.ScaleV, 0.1, 10)
		f.Sensor = &s
	case form.Rated:
		x := d.At(f.At).Exchanger
		x.Serial = oneLine(form.SerialV)
		if place := oneLine(form.PlaceV); place != "" {
			x.Place = place
		}
		points, err := ratedPoints(form.RatedV)
		if err != nil {
			bad("Rated points: %v.", err)
		}
		x.Rated = points
		f.Exchanger = &x
	case form.Place:
		f.Place = oneLine(form.PlaceV)
	case form.Feeds:
		var ok bool
		if f.Connection, ok = connectionOf(r.PostFormValue("connection")); !ok {
			bad("Connection: choose what the preheated water feeds.")
		}
	case form.Heater:
		h := d.At(f.At).Heater
		h.HotC, h.Efficiency = num("Delivery temperature", form.HotC, 30, 95), num("Efficiency", form.Efficiency, 0.1, 10)
		f.Heater = &h
	}
	return f, wrong
}

// oneLine writes a text without breaks and doubled blanks.
func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }

// ratedPoints reads the points of a certificate, one a line: flow in l/min and
// effectiveness.
func ratedPoints(text string) (points []greywatt.RatedPoint, err error) {
	for line := range strings.Lines(text) {
		fields := strings.Fields(strings.ReplaceAll(line, ",", "."))
		if len(fields) == 0 {
			continue
		}
		if len(fields) != 2 {
			return nil, fmt.Errorf("%q: want a flow in l/min and an effectiveness, such as 9.5 0.57", strings.TrimSpace(line))
		}
		q, err1 := strconv.ParseFloat(fields[0], 64)
		e, err2 := strconv.ParseFloat(fields[1], 64)
		if err1 != nil || err2 != nil || !(q > 0) || !(e > 0 && e < 1) {
			return nil, fmt.Errorf("%q: want a flow above 0 in l/min and an effectiveness between 0 and 1", strings.TrimSpace(line))
		}
		points = append(points, greywatt.RatedPoint{FlowLMin: q, Effectiveness: e})
	}
	if len(points) == 0 {
		return nil, errors.New("want at least one line, such as 9.5 0.57")
	}
	slices.SortFunc(points, func(a, b greywatt.RatedPoint) int { return cmp.Compare(a.FlowLMin, b.FlowLMin) })
	return points, nil
}
