package live

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/health"
	"greywatt/analysis/zerocheck"
	"greywatt/ingest"
	"greywatt/ingest/journal"
	"greywatt/plots/wording"
)

// zeroDays is how many days a check at rest goes by: enough for the rests that
// it takes.
const zeroDays = 7

// togetherLookS is how far back the readings of clamps held together are sought, s.
const togetherLookS = 1800

// A zeroRow is what the zero check says of one clamp.
type zeroRow struct {
	Channel, Words, Now, Extra, New, U95 string
	Advised                              bool
}

// A zeroWay is how clamps are compared.
type zeroWay struct{ Key, Words, How string }

var zeroWays = []zeroWay{
	{"rest", "At rest, on their pipes", "Rests, four hours and more without water, of the last seven days. Nothing is to be done in the bathroom."},
	{"together", "Held together, twenty minutes", "Take the four clamps off, tape them together, wrap them in a cloth, and leave them for twenty-five minutes."},
}

// compare returns what a check of the dwelling's clamps says; why tells what it
// lacks.
func (p *Page) compare(ctx context.Context, d *greywatt.Dwelling, way string) (rows []zerocheck.Suggestion, why string, err error) {
	now := greywatt.InstantOf(p.clock().now)
	from := now.Add(-zeroDays * 86400)
	if way == "together" {
		from = now.Add(-togetherLookS)
	}
	watch := health.New(p.cfg.Study, d)
	var kept []greywatt.Frame
	for frames, err := range p.cfg.Log.Frames(ctx, d.ID, from, 0) {
		if err != nil {
			if lost := (*ingest.CorruptError)(nil); errors.As(err, &lost) {
				continue
			}
			return nil, "", err
		}
		if way == "together" {
			kept = append(kept, frames...)
			continue
		}
		watch.Push(frames)
	}
	if way == "together" {
		rows, why = zerocheck.Together(d, kept)
		return rows, why, nil
	}
	record := watch.Close()
	rows, have, want := zerocheck.AtRest(d, &record)
	if rows == nil {
		why = fmt.Sprintf("%d of %s in the last %d days: four hours after the last water, and an hour longer, with the clamps settled", have, count(want, "rest"), zeroDays)
	}
	return rows, why, nil
}

// withOffsets returns the dwelling with the offsets that are advised.
func withOffsets(d *greywatt.Dwelling, rows []zerocheck.Suggestion) *greywatt.Dwelling {
	out := *d
	out.Versions = nil
	out.Sensors = slices.Clone(d.Sensors)
	for _, s := range rows {
		if !s.Advised {
			continue
		}
		found := false
		for i := range out.Sensors {
			if out.Sensors[i].Channel == s.Channel {
				out.Sensors[i].OffsetK, out.Sensors[i].U95K, found = s.NewK, s.U95K, true
			}
		}
		if !found {
			of := greywatt.DefaultSensor(s.Channel)
			of.OffsetK, of.U95K = s.NewK, s.U95K
			out.Sensors = append(out.Sensors, of)
		}
	}
	return &out
}

// effect says what the offsets would do to the latest shower's figures.
func (p *Page) effect(ctx context.Context, d *dwelling, rows []zerocheck.Suggestion) (figures []figureOf, id string) {
	d.mu.Lock()
	latest := d.past.Latest
	d.mu.Unlock()
	if latest == nil || !slices.ContainsFunc(rows, func(s zerocheck.Suggestion) bool { return s.Advised }) {
		return nil, ""
	}
	first, last := analysis.Period{From: latest.Start, To: latest.Start.Add(1)}.Around()
	as := withOffsets(d.Dwelling.At(latest.Start), rows)
	e, _, _, err := analysis.Trace(p.cfg.Study, as, p.cfg.Log.Frames(ctx, d.ID, first, last), latest.ID)
	if err != nil {
		return nil, ""
	}
	add := func(caption string, now, nowU95, then, thenU95 float64) {
		figures = append(figures, figureOf{Caption: caption, Value: plusMinus(now, nowU95, 3) + " → " + plusMinus(then, thenU95, 3)})
	}
	add("Effectiveness", latest.Effectiveness, latest.EffectivenessU95, e.Effectiveness, e.EffectivenessU95)
	add("Measured / expected", latest.Ratio, latest.RatioU95, e.Ratio, e.RatioU95)
	return figures, latest.ID
}

// zero shows how the clamps differ, and lets an engineer take offsets over.
func (p *Page) zero(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	way := r.URL.Query().Get("way")
	if way != "together" {
		way = "rest"
	}
	c := p.clock()
	data := struct {
		frame
		ID, Back, Way, Form, At, Why, None string
		Ways                               []zeroWay
		Rows                               []zeroRow
		Effect                             []figureOf
		Event                              string
		Advised, Seen                      int
		Cautions                           []string
	}{frame: p.frame(r, "Zero check of "+d.ID), ID: d.ID, Back: dwellingPath(d.ID), Way: way, Ways: zeroWays,
		Cautions: []string{cautionHot, cautionElectric}}
	now := d.Dwelling.At(greywatt.InstantOf(c.now))
	rows, none, err := p.compare(r.Context(), now, way)
	if err != nil {
		return err
	}
	if none != "" {
		data.None = wording.Sentence(none)
	}
	for _, s := range rows {
		data.Rows = append(data.Rows, zeroRow{
			Channel: s.Channel.String(), Words: channelWords[s.Channel], Now: kelvin(s.DeclaredK), Extra: kelvin(s.ExtraK),
			U95: wording.Fixed(s.U95K, 2) + " K", New: kelvin(s.NewK), Advised: s.Advised,
		})
		if s.Advised {
			data.Advised++
		}
	}
	if data.Advised > 0 {
		data.Effect, data.Event = p.effect(r.Context(), d, rows)
		if may, why := p.mayNote(r); may {
			data.Form, data.At = journal.NewID(), c.now.Format(inputTime)
			if data.Seen, _, err = p.others(d, "", math.MaxInt); err != nil {
				return journalProblem(err)
			}
		} else {
			data.Why = why
		}
	}
	return render(w, http.StatusOK, "zero", &data)
}

func kelvin(v float64) string { return wording.Signed(fmt.Sprintf("%+.2f", v)) + " K" }

// takeOffsets notes the offsets that a zero check advises: each clamp's once,
// under an id that follows from the form's.
func (p *Page) takeOffsets(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	if err := p.checkChange(r); err != nil {
		return err
	}
	form := &noteForm{noteKind: noteKind{Kind: greywatt.FactOffset}, Form: r.PostFormValue("form"), At: r.PostFormValue("at"), Text: "zero check, " + r.PostFormValue("way")}
	base, wrong := p.fact(r, d, form)
	if len(wrong) > 0 {
		return &problem{http.StatusUnprocessableEntity, "Not noted", wrong[0]}
	}
	rows, why, err := p.compare(r.Context(), d.Dwelling.At(greywatt.InstantOf(p.clock().now)), r.PostFormValue("way"))
	if err != nil {
		return err
	}
	if why != "" {
		return &problem{http.StatusConflict, "Not noted", "The check cannot be made any more: " + wording.Sentence(why)}
	}
	p.changes.Lock()
	defer p.changes.Unlock()
	_, told, err := p.others(d, base.ID, seen(r))
	if err != nil {
		return journalProblem(err)
	}
	if len(told) > 0 {
		return &problem{http.StatusConflict, "Not noted", strings.Join(told[:len(told)-1], " ") + " Look at the check again."}
	}
	noted := ""
	for _, s := range rows {
		// What was shown is what is accepted: the form names each clamp and its offset.
		if want := r.PostFormValue("offset-" + s.Channel.String()); !s.Advised && want == "" {
			continue
		} else if want != kelvin(s.NewK) {
			facts, err := p.cfg.Journal.Facts()
			if err == nil && slices.ContainsFunc(facts, func(f greywatt.Fact) bool { return f.ID == base.ID+"-"+s.Channel.String() }) {
				noted = base.ID + "-" + s.Channel.String()
				continue // sent again, after it was taken
			}
			return &problem{http.StatusConflict, "Not noted", "The readings have changed since the page was loaded. Look at the check again."}
		}
		f := base
		f.ID, f.Channel, f.OffsetK, f.U95K = base.ID+"-"+s.Channel.String(), s.Channel, s.NewK, s.U95K
		if _, err := p.cfg.Journal.Append(f); err != nil {
			return &problem{http.StatusServiceUnavailable, "Not noted", wording.Sentence(err.Error()) + " Send the form again: each clamp counts once."}
		}
		noted = f.ID
	}
	http.Redirect(w, r, dwellingPath(d.ID)+"/notes?noted="+url.QueryEscape(noted), http.StatusSeeOther)
	return nil
}
