package live

import (
	"bytes"
	"context"
	"errors"
	"io"
	"mime/multipart"
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
// showers, at most n, that began before an instant; 0: all did. The chart is of the
// last of them; nil without.
func (p *Page) judge(ctx context.Context, d *dwelling, n int, before greywatt.Instant) (c commission.Result, used []event.Event, chart *plots.EventChart, err error) {
	d.mu.Lock()
	past := d.past
	d.mu.Unlock()
	if !past.Ready {
		return c, nil, nil, &problem{http.StatusServiceUnavailable, "Not read yet", "The history of the dwelling is still being read. Load this page again in a while."}
	}
	for i := past.Events.Len() - 1; i >= 0 && len(used) < n; i-- {
		e := past.Events.Event(i)
		if before != 0 && e.Start >= before || e.Kind == event.OtherDraw || !(e.SteadyS > 0) || !finite(e.Ratio) {
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
func (p *Page) sheetInput(ctx context.Context, d *dwelling, n int, before greywatt.Instant) (*sheet.Input, error) {
	c, used, chart, err := p.judge(ctx, d, n, before)
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

// unsigned gives the sheet as the figures are now, for paper.
func (p *Page) unsigned(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	in, err := p.sheetInput(r.Context(), d, showers(r), 0)
	if err != nil {
		return err
	}
	in.Answers = make([]sheet.Answer, len(sheet.Checks))
	o, kind, name := plots.Output{Format: plots.PDF}, "application/pdf", d.ID+"-sheet.pdf"
	if strings.HasSuffix(r.URL.Path, ".png") {
		o, kind, name = plots.Output{Format: plots.PNG, Density: sheet.PrintDensity}, "image/png", d.ID+"-sheet.png"
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
	Code                   string // over the figures that are shown
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
	in, err := p.sheetInput(r.Context(), d, form.Showers, 0)
	if err != nil {
		return nil, err
	}
	c := in.Result
	form.Code = shownCode(in)
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

// sheets lists the sheets that are kept of a dwelling, the newest first.
func (p *Page) sheets(d *dwelling) []string { return sheet.Folder(p.cfg.Sheets).Sheets(d.ID) }

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
	if r.MultipartForm != nil {
		defer r.MultipartForm.RemoveAll()
	}
	if p.cfg.Sheets == "" {
		return &problem{http.StatusForbidden, "Not kept", "This page keeps no sheets."}
	}
	id := r.PostFormValue("form")
	if !factID.MatchString(id) {
		return &problem{http.StatusBadRequest, "Not kept", "The form has no id. Load it again."}
	}
	p.changes.Lock()
	defer p.changes.Unlock()
	folder := sheet.Folder(p.cfg.Sheets)
	// What was signed is kept first; where the logger was stopped after that, the form
	// that is sent again goes on from there.
	record, err := folder.Record(d.ID, id)
	if err != nil {
		return err
	}
	if record == nil {
		in, err := p.sheetInput(r.Context(), d, showers(r), 0)
		if err != nil {
			return err
		}
		shown := shownCode(in)
		wrong := append(p.fillIn(r, in), takePhotos(r, in)...)
		status := http.StatusUnprocessableEntity
		if was := r.PostFormValue("figures"); was != shown {
			status = http.StatusConflict
			wrong = append(wrong, "The figures, or what was noted of the dwelling, have changed since this form was loaded. Look at them again, and sign again.")
		}
		if len(wrong) > 0 {
			if len(in.Photos) > 0 {
				wrong = append(wrong, "Photos: choose them again.")
			}
			return p.handoverAgain(w, r, d, in, id, status, wrong)
		}
		record = sheet.NewRecord(in, id, greywatt.InstantOf(p.clock().now), showers(r))
		record.Noted = "commissioning sheet " + sheet.Prefix(d.ID) + id + ".pdf: " + string(in.Result.Verdict) + ", check code " + record.Code
		if blame := sheet.Blame(in.Answers); len(blame) > 0 {
			record.Noted += "; not so: " + strings.Join(blame, "; ")
		}
		if err := folder.Keep(d.ID, record); err != nil {
			return err
		}
	}
	if !slices.Contains(p.sheets(d), sheet.Prefix(d.ID)+id+".pdf") {
		in, err := p.sheetInput(r.Context(), d, record.Showers, record.Instant())
		if err != nil {
			return err
		}
		record.Fill(in)
		if err := folder.KeepSheet(d.ID, id, in); err != nil {
			return err
		}
	}
	_, who := p.access.who(r)
	at := record.Instant()
	if _, err := p.cfg.Journal.Append(greywatt.Fact{ID: id, Dwelling: d.ID, Kind: greywatt.FactNote, At: at, Noted: at, By: who, Via: "page " + r.URL.Path, Text: record.Noted}); err != nil {
		return &problem{http.StatusServiceUnavailable, "Kept, not noted", "The sheet is kept, but the journal could not be written: " + wording.Sentence(err.Error()) + " Send the form again; it counts once."}
	}
	http.Redirect(w, r, dwellingPath(d.ID)+"/notes?noted="+url.QueryEscape(id), http.StatusSeeOther)
	return nil
}

// shownCode is a code over the figures that a handover shows, before anything is
// answered.
func shownCode(in *sheet.Input) string {
	return sheet.Code(&sheet.Input{Dwelling: in.Dwelling, Result: in.Result})
}

// handoverAgain gives the form back as it was filled in, with what is wrong.
func (p *Page) handoverAgain(w http.ResponseWriter, r *http.Request, d *dwelling, in *sheet.Input, id string, status int, wrong []string) error {
	form, err := p.newHandover(r, d)
	if err != nil {
		return err
	}
	form.Wrong, form.Form = wrong, id
	form.Serial, form.Remarks, form.Engineer, form.Resident = in.Serial, in.Remarks, in.Engineer.Name, in.Resident.Name
	for i := range form.Checks {
		form.Checks[i].Answer, form.Checks[i].Remark = in.Answers[i].Is, in.Answers[i].Remark
	}
	return render(w, status, "handover", form)
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

// takePhotos takes the form's photos, one a check, and says what is wrong with them.
func takePhotos(r *http.Request, in *sheet.Input) (wrong []string) {
	if r.MultipartForm == nil {
		return nil
	}
	for _, c := range sheet.Checks {
		files := r.MultipartForm.File["photo-"+c.ID]
		if len(files) == 0 || files[0].Size == 0 {
			continue
		}
		photo, err := readPhoto(files[0])
		if err != nil {
			wrong = append(wrong, "Photo of “"+c.Words+"”: "+wording.Sentence(err.Error()))
			continue
		}
		if in.Photos == nil {
			in.Photos = map[string][]byte{}
		}
		in.Photos[c.ID] = photo
	}
	return wrong
}

func readPhoto(h *multipart.FileHeader) ([]byte, error) {
	file, err := h.Open()
	if err != nil {
		return nil, err
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, sheet.MostPhotoBytes+1))
	if err != nil {
		return nil, err
	}
	return sheet.ReadPhoto(data)
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
