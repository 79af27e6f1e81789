package live

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/studyfile"
	"greywatt/plots/wording"
)

// A StudyFile takes dwellings in.
type StudyFile interface {
	// AddDwelling writes a dwelling into the study file; once it returns, it is on
	// disk. One that is there already as described is no error.
	AddDwelling(d greywatt.Dwelling) error
	// HasDwelling reports whether the file has a dwelling of that id.
	HasDwelling(id string) (bool, error)
}

// A heardPart is a dwelling whose nodes were heard and that the study does not have.
type heardPart struct {
	ID, Href, Words string
	Values          []heardValue // newest of each node and name, where they can be read
	Last            string       // newest record, where none can
}

// A heardValue is what a node says of itself: a name, a value with its unit.
type heardValue struct{ Node, Name, Value string }

// mostHeardValues is how many values of one dwelling are shown.
const mostHeardValues = 24

// heard lists the dwellings that publish and are not in the study.
func (p *Page) heard(ctx context.Context) (out []heardPart) {
	counts, err := p.cfg.Rejected.RejectedCounts(ctx)
	if err != nil {
		return nil
	}
	for _, c := range counts {
		if c.Reason != ingest.UnknownDwelling || c.Dwelling == "" || p.byID[c.Dwelling] != nil {
			continue
		}
		out = append(out, heardPart{ID: c.Dwelling, Href: "/setup?" + url.Values{"id": {c.Dwelling}}.Encode(), Words: count(c.N, "record") + " not taken yet"})
	}
	if len(out) == 0 {
		return nil
	}
	newest, err := p.cfg.Rejected.Rejected(ctx, 200)
	if err != nil {
		return out
	}
	for i := range out {
		h := &out[i]
		for _, r := range newest {
			if r.Reason != ingest.UnknownDwelling || r.Dwelling != h.ID {
				continue
			}
			if h.Last == "" {
				h.Last = r.Record
			}
			v, ok := heardIn(&r)
			if ok && len(h.Values) < mostHeardValues && !slices.ContainsFunc(h.Values, func(o heardValue) bool { return o.Node == v.Node && o.Name == v.Name }) {
				h.Values = append(h.Values, v)
			}
		}
		slices.SortFunc(h.Values, func(a, b heardValue) int {
			return cmp.Or(strings.Compare(a.Node, b.Node), strings.Compare(a.Name, b.Name))
		})
	}
	return out
}

// heardIn reads a record of SenML in JSON as somebody would who looks at it: nothing
// is stored on account of it.
func heardIn(r *ingest.RejectedRecord) (v heardValue, ok bool) {
	var record struct {
		N, U string
		V    *float64
	}
	if err := json.Unmarshal([]byte(r.Record), &record); err != nil || record.V == nil || record.N == "" {
		return v, false
	}
	parts := strings.Split(r.Source, "/")
	if len(parts) >= 2 {
		v.Node = parts[len(parts)-2]
	}
	v.Name = record.N[strings.LastIndexByte(record.N, '/')+1:]
	unit := record.U
	if unit == "Cel" {
		unit = "°C"
	}
	v.Value = wording.WithUnit(strconv.FormatFloat(*record.V, 'g', 5, 64), unit)
	return v, true
}

// A setupForm describes a dwelling, as it was filled in.
type setupForm struct {
	frame
	Why                   string
	May                   bool
	ID, Connection, Rated string
	HotC, Efficiency      string
	Serial, Place         string
	Connections           []connectionChoice
	Heard                 []heardPart
	Wrong, Cautions       []string
	Added                 string
}

type connectionChoice struct {
	Value, Words  string
	Mixer, Heater bool // what the preheated water feeds
	Chosen        bool
}

func (p *Page) newSetup(r *http.Request, values url.Values) *setupForm {
	f := &setupForm{frame: p.frame(r, "Add a dwelling"), ID: strings.TrimSpace(values.Get("id")), Connection: values.Get("connection"), Rated: values.Get("rated"),
		HotC: values.Get("hot_c"), Efficiency: values.Get("efficiency"), Serial: values.Get("serial"), Place: values.Get("place"), Heard: p.heard(r.Context()), Cautions: pipeCautions}
	f.Connections = connectionChoices(f.Connection)
	f.May, f.Why = p.mayNote(r)
	if f.May && p.cfg.StudyFile == nil {
		f.May, f.Why = false, "This page does not write to the study file."
	}
	return f
}

func connectionChoices(chosen string) []connectionChoice {
	return []connectionChoice{
		{"A", "A: the mixer’s cold side and the water heater", true, true, chosen == "A"},
		{"B", "B: the mixer’s cold side only", true, false, chosen == "B"},
		{"C", "C: the water heater only", false, true, chosen == "C"},
	}
}

// connectionOf returns the connection of that letter.
func connectionOf(letter string) (greywatt.Connection, bool) {
	for _, c := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC} {
		if c.String() == letter {
			return c, true
		}
	}
	return 0, false
}

func (p *Page) setup(w http.ResponseWriter, r *http.Request) error {
	form := p.newSetup(r, r.URL.Query())
	if id := r.URL.Query().Get("added"); id != "" {
		if p.cfg.StudyFile == nil {
			return p.noPage(w, r)
		}
		there, err := p.cfg.StudyFile.HasDwelling(id)
		switch {
		case err != nil:
			form.Wrong = []string{wording.Sentence(err.Error())}
		case there:
			form.Added, form.ID = id, ""
		default:
			form.Wrong = []string{id + " is not in the study file. Send the form again; it counts once."}
		}
	}
	return render(w, http.StatusOK, "setup", form)
}

// addDwelling writes what the form describes into the study file.
func (p *Page) addDwelling(w http.ResponseWriter, r *http.Request) error {
	if err := p.checkChange(r); err != nil {
		return err
	}
	form := p.newSetup(r, r.PostForm)
	if !form.May {
		return &problem{http.StatusForbidden, "Not for you to add", form.Why}
	}
	d := greywatt.Dwelling{ID: form.ID}
	var wrong []string
	var ok bool
	if d.Connection, ok = connectionOf(form.Connection); !ok {
		wrong = append(wrong, "Connection: choose what the preheated water feeds.")
	}
	points, err := ratedPoints(form.Rated)
	if err != nil {
		wrong = append(wrong, "Rated points: "+err.Error()+".")
	}
	d.Exchanger.Rated, d.Exchanger.Serial, d.Exchanger.Place = points, oneLine(form.Serial), oneLine(form.Place)
	optional := func(what, text string) float64 {
		if text = strings.TrimSpace(text); text == "" {
			return 0
		}
		v, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", "."), 64)
		if err != nil || !finite(v) {
			wrong = append(wrong, what+": want a number, or nothing.")
		}
		return v
	}
	d.Heater.HotC, d.Heater.Efficiency = optional("Delivery temperature", form.HotC), optional("Efficiency", form.Efficiency)
	if len(wrong) == 0 {
		err := p.cfg.StudyFile.AddDwelling(d)
		var mistakes studyfile.Mistakes
		switch {
		case err == nil:
			http.Redirect(w, r, "/setup?"+url.Values{"added": {d.ID}}.Encode(), http.StatusSeeOther)
			return nil
		case errors.As(err, &mistakes):
			for _, m := range mistakes {
				key := m.Key[strings.LastIndexByte(m.Key, '.')+1:]
				wrong = append(wrong, wording.Capital(wording.Plain(key))+": "+m.What+"; "+wording.Sentence(m.Remedy))
			}
		default:
			wrong = append(wrong, wording.Sentence(err.Error()))
		}
	}
	form.Wrong = wrong
	return render(w, http.StatusUnprocessableEntity, "setup", form)
}
