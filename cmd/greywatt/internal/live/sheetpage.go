package live

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"greywatt"
	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/cmd/greywatt/internal/sheet"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/ingest/journal"
	"greywatt/plots"
	"greywatt/plots/wording"
)

// Showers that a unit is judged by: as many as the command commission takes, and
// the most that the page reads again for it.
const (
	judgedShowers = 5
	mostJudged    = 10
)

// judge says whether a dwelling's unit does what its certificate says, by its last
// showers, at most n. The chart is of the last of them; nil without.
func (p *Page) judge(ctx context.Context, d *dwelling, n int) (c commission.Result, used []event.Event, chart *plots.EventChart, err error) {
	d.mu.Lock()
	past := d.past
	d.mu.Unlock()
	if !past.Ready {
		return c, nil, nil, &problem{http.StatusServiceUnavailable, "Not read yet", "The history of the dwelling is still being read. Load this page again in a while."}
	}
	for i := past.Events.Len() - 1; i >= 0 && len(used) < n; i-- {
		e := past.Events.Event(i)
		if e.Kind == event.OtherDraw || !(e.SteadyS > 0) || !finite(e.Ratio) {
			continue
		}
		t, err := p.trace(ctx, d, &e)
		if ctx.Err() != nil {
			return c, nil, nil, ctx.Err()
		}
		if err != nil {
			continue // its readings cannot be read any more
		}
		if chart == nil {
			chart = &plots.EventChart{Event: t.event, Trace: t.trace, Location: p.cfg.Study.Timezone}
		}
		used = append(used, t.event)
	}
	slices.Reverse(used)
	c = commission.Judge(p.cfg.Study, d.Dwelling.Last(), past.Complete.Span.From, used, n)
	used = slices.DeleteFunc(used, func(e event.Event) bool { return !slices.Contains(c.Events, e.ID) })
	return c, used, chart, nil
}

// showers reads how many showers a request wants to go by.
func showers(r *http.Request) int {
	n, err := strconv.Atoi(r.FormValue("showers"))
	if err != nil || n < 1 || n > mostJudged {
		return judgedShowers
	}
	return n
}

// sheetInput gathers what a sheet without answers is made of.
func (p *Page) sheetInput(ctx context.Context, d *dwelling, n int) (*sheet.Input, error) {
	c, used, chart, err := p.judge(ctx, d, n)
	if err != nil {
		return nil, err
	}
	in := &sheet.Input{Study: p.cfg.Study, Dwelling: d.Dwelling.Last(), Result: &c, Events: used, Chart: chart, Serial: d.Last().Exchanger.Serial, Version: p.cfg.Version}
	if p.cfg.Journal != nil {
		if in.Facts, err = p.cfg.Journal.Facts(); err != nil {
			return nil, &problem{http.StatusServiceUnavailable, "The journal cannot be read", wording.Sentence(err.Error())}
		}
	}
	return in, nil
}

// printDensity makes a px of the sheet, a 72nd of an inch, that many dots: 288 to
// the inch.
const printDensity = 4

// unsigned gives the sheet as the figures are now, for paper.
func (p *Page) unsigned(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	in, err := p.sheetInput(r.Context(), d, showers(r))
	if err != nil {
		return err
	}
	in.Answers = make([]sheet.Answer, len(sheet.Checks))
	o, kind, name := plots.Output{Format: plots.PDF}, "application/pdf", d.ID+"-sheet.pdf"
	if strings.HasSuffix(r.URL.Path, ".png") {
		o, kind, name = plots.Output{Format: plots.PNG, Density: printDensity}, "image/png", d.ID+"-sheet.png"
	}
	var out bytes.Buffer
	if err := plots.Write(&out, o, sheet.Make(in)); err != nil {
		return err
	}
	attach(w, kind, name)
	w.Write(out.Bytes())
	return nil
}

// A handoverForm is the form of the handover, as it was filled in.
type handoverForm struct {
	frame
	ID, Back, Form, Why    string
	Verdict, Class, Reason string
	Decide                 string
	Figures                []figureOf
	Checks                 []handoverCheck
	Serial, Remarks        string
	Engineer, Resident     string
	Showers                int
	Sheets                 []linkTo
	Wrong, Cautions        []string
}

type handoverCheck struct {
	sheet.Check
	Answer, Remark string
}

func (p *Page) handover(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	form, err := p.newHandover(r, d)
	if err != nil {
		return err
	}
	if may, why := p.mayNote(r); may && p.cfg.Sheets != "" {
		form.Form = journal.NewID()
		_, form.Engineer = p.access.who(r)
	} else {
		form.Why = why
	}
	return render(w, http.StatusOK, "handover", form)
}

func (p *Page) newHandover(r *http.Request, d *dwelling) (*handoverForm, error) {
	form := &handoverForm{frame: p.frame(r, "Handover of "+d.ID), ID: d.ID, Serial: d.Last().Exchanger.Serial, Back: dwellingPath(d.ID), Showers: showers(r),
		Cautions: []string{finding.CautionScald, finding.CautionStale, finding.CautionPipe, cautionHot, cautionElectric}}
	c, _, _, err := p.judge(r.Context(), d, form.Showers)
	if err != nil {
		return nil, err
	}
	form.Verdict, form.Reason, form.Decide = wording.Capital(string(c.Verdict)), wording.Sentence(c.Reason), c.Decide
	form.Class = map[commission.Verdict]string{commission.Pass: "ok", commission.Fail: "fault"}[c.Verdict]
	if finite(c.Ratio) {
		form.Figures = []figureOf{
			{Caption: "Effectiveness", Value: plusMinus(c.Effectiveness, c.EffectivenessU95, 2)},
			{Caption: "Expected", Value: plusMinus(c.Expected, c.ExpectedU95, 2)},
			{Caption: "Measured / expected", Value: plusMinus(c.Ratio, c.RatioU95, 2)},
			{Caption: "Limit", Value: wording.Fixed(c.LeastRatio, 2)},
		}
	}
	for _, check := range sheet.Checks {
		form.Checks = append(form.Checks, handoverCheck{Check: check})
	}
	for _, name := range p.sheets(d) {
		form.Sheets = append(form.Sheets, linkTo{dwellingPath(d.ID) + "/sheets/" + url.PathEscape(name), name})
	}
	return form, nil
}

var sheetName = regexp.MustCompile(`^[A-Za-z0-9][-A-Za-z0-9_.]*\.pdf$`)

// sheets lists the sheets that are kept of a dwelling, the newest first.
func (p *Page) sheets(d *dwelling) (names []string) {
	if p.cfg.Sheets == "" {
		return nil
	}
	found, err := filepath.Glob(filepath.Join(p.cfg.Sheets, "*.pdf"))
	if err != nil {
		return nil
	}
	prefix := sheetPrefix(d.ID)
	for _, path := range found {
		if name := filepath.Base(path); sheetName.MatchString(name) && strings.HasPrefix(name, prefix) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	slices.Reverse(names)
	return names
}

// sheetPrefix begins the names of a dwelling's sheets: two dots part it from what
// follows, which no other dwelling's id can make up.
func sheetPrefix(dwelling string) string { return strings.ReplaceAll(dwelling, ":", "_") + ".." }

// keptSheet gives a sheet that is kept.
func (p *Page) keptSheet(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	name := r.PathValue("name")
	if !slices.Contains(p.sheets(d), name) {
		return &problem{http.StatusNotFound, "No such sheet", "The dwelling has none of that name."}
	}
	text, err := os.ReadFile(filepath.Join(p.cfg.Sheets, name))
	if err != nil {
		return err
	}
	attach(w, "application/pdf", name)
	w.Write(text)
	return nil
}

// sign makes the sheet, keeps it, and notes it in the journal: once for each form.
func (p *Page) sign(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	if err := p.checkChange(r); err != nil {
		return err
	}
	if p.cfg.Sheets == "" {
		return &problem{http.StatusForbidden, "Not kept", "This page keeps no sheets."}
	}
	in, err := p.sheetInput(r.Context(), d, showers(r))
	if err != nil {
		return err
	}
	wrong := p.fillIn(r, in)
	id := r.PostFormValue("form")
	if !factID.MatchString(id) {
		wrong = append(wrong, "The form has no id. Load it again.")
	}
	if len(wrong) > 0 {
		form, err := p.newHandover(r, d)
		if err != nil {
			return err
		}
		form.Wrong, form.Form = wrong, id
		form.Serial, form.Remarks, form.Engineer, form.Resident = in.Serial, in.Remarks, in.Engineer.Name, in.Resident.Name
		for i := range form.Checks {
			form.Checks[i].Answer, form.Checks[i].Remark = in.Answers[i].Is, in.Answers[i].Remark
		}
		return render(w, http.StatusUnprocessableEntity, "handover", form)
	}
	name := sheetPrefix(d.ID) + id + ".pdf"
	if !slices.Contains(p.sheets(d), name) {
		if err := os.MkdirAll(p.cfg.Sheets, 0o750); err != nil {
			return err
		}
		err := staging.WriteFile(filepath.Join(p.cfg.Sheets, name), func(w io.Writer) error {
			return plots.Write(w, plots.Output{Format: plots.PDF}, sheet.Make(in))
		})
		if err != nil {
			return err
		}
	}
	text := "commissioning sheet " + name + ": " + string(in.Result.Verdict) + ", check code " + sheet.Code(in)
	if blame := sheet.Blame(in.Answers); len(blame) > 0 {
		text += "; not so: " + strings.Join(blame, "; ")
	}
	_, who := p.access.who(r)
	now := greywatt.InstantOf(p.clock().now)
	if _, err := p.cfg.Journal.Append(greywatt.Fact{ID: id, Dwelling: d.ID, Kind: greywatt.FactNote, At: now, Noted: now, By: who, Via: "page " + r.URL.Path, Text: text}); err != nil {
		return &problem{http.StatusServiceUnavailable, "Kept, not noted", "The sheet is kept, but the journal could not be written: " + wording.Sentence(err.Error()) + " Send the form again; it counts once."}
	}
	http.Redirect(w, r, dwellingPath(d.ID)+"/notes?noted="+url.QueryEscape(id), http.StatusSeeOther)
	return nil
}

var factID = regexp.MustCompile(`^[A-Za-z0-9][-A-Za-z0-9_]{0,100}$`)

// fillIn takes the form's answers, names and strokes, and says what is wrong with
// them.
func (p *Page) fillIn(r *http.Request, in *sheet.Input) (wrong []string) {
	line := func(name string) string { return strings.Join(strings.Fields(r.PostFormValue(name)), " ") }
	today := p.clock().now.Format("2 January 2006")
	in.Serial, in.Remarks = line("serial"), line("remarks")
	missing := 0
	for _, c := range sheet.Checks {
		a := sheet.Answer{Is: r.PostFormValue("check-" + c.ID), Remark: line("remark-" + c.ID)}
		if a.Is != sheet.Yes && a.Is != sheet.No && a.Is != sheet.NotSeen {
			a.Is = ""
			missing++
		}
		in.Answers = append(in.Answers, a)
	}
	if missing > 0 {
		wrong = append(wrong, "Handover: answer each check; "+count(missing, "answer")+" missing. What nobody looked at is “not seen”.")
	}
	for role, to := range map[string]*plots.Signature{"engineer": &in.Engineer, "resident": &in.Resident} {
		to.Name = line(role)
		if to.Name != "" {
			to.Date = today
		}
		strokes, err := readStrokes(r.PostFormValue(role + "_strokes"))
		if err != nil {
			wrong = append(wrong, "The signature of the "+role+" did not come whole. Clear it and sign again.")
		}
		to.Strokes = strokes
	}
	if in.Engineer.Name == "" {
		wrong = append(wrong, "Engineer: write your name.")
	}
	return wrong
}

// mostPoints is how many points of strokes a signature may have.
const mostPoints = 4000

// readStrokes reads strokes of the form "x,y x,y;x,y x,y", each coordinate a
// thousandth of the width or height.
func readStrokes(text string) (strokes [][][2]float64, err error) {
	points := 0
	for _, s := range strings.FieldsFunc(text, func(c rune) bool { return c == ';' }) {
		var stroke [][2]float64
		for _, pair := range strings.Fields(s) {
			a, b, ok := strings.Cut(pair, ",")
			x, err1 := strconv.Atoi(a)
			y, err2 := strconv.Atoi(b)
			if points++; !ok || err1 != nil || err2 != nil || points > mostPoints {
				return nil, errors.New("not strokes")
			}
			stroke = append(stroke, [2]float64{float64(x) / 1000, float64(y) / 1000})
		}
		strokes = append(strokes, stroke)
	}
	return strokes, nil
}
