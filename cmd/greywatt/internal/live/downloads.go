package live

import (
	"bytes"
	"encoding/csv"
	"errors"
	"iter"
	"math"
	"net/http"
	"strconv"
	"strings"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/plots"
)

// eventsCSV gives a dwelling's events with the columns of a dataset.
func (p *Page) eventsCSV(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	d.mu.Lock()
	events, ready := d.past.Events, d.past.Ready
	d.mu.Unlock()
	if !ready {
		return &problem{http.StatusServiceUnavailable, "Not read yet", "The history of the dwelling is still being read. Load this page again in a while."}
	}
	attach(w, "text/csv; charset=utf-8", d.ID+"-events.csv")
	return dataset.WriteCSV(w, events.All())
}

// trendCSV gives a dwelling's trend: a shower a row.
func (p *Page) trendCSV(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	d.mu.Lock()
	points := d.past.Diagnosis.Trend
	d.mu.Unlock()
	attach(w, "text/csv; charset=utf-8", d.ID+"-trend.csv")
	return dataset.WriteTrendCSV(w, points)
}

// seriesCSV gives an event's series as its chart shows them: corrected
// temperatures at the ports, what the clamps read, and the flow.
func (p *Page) seriesCSV(w http.ResponseWriter, r *http.Request) error {
	d, e, _, _, err := p.findEvent(r)
	if err != nil {
		return err
	}
	t, err := p.trace(r.Context(), d, e)
	if errors.Is(err, analysis.ErrNoEvent) {
		return &problem{http.StatusNotFound, "No series", "The readings of that time cannot be read any more."}
	}
	if err != nil {
		return err
	}
	attach(w, "text/csv; charset=utf-8", e.ID+"-series.csv")
	out := csv.NewWriter(w)
	head := []string{"at"}
	for c := range greywatt.Channel(greywatt.NumPorts) {
		head = append(head, column(c)+"_c")
	}
	for c := range greywatt.Channel(greywatt.NumPorts) {
		head = append(head, column(c)+"_clamp_c")
	}
	out.Write(append(head, "flow_l_min"))
	for i, at := range t.trace.At {
		row := []string{stamp(at)}
		for _, s := range t.trace.Port {
			row = append(row, number(s[i], 3))
		}
		for _, s := range t.trace.Surface {
			row = append(row, number(s[i], 3))
		}
		out.Write(append(row, number(t.trace.FlowLMin[i], 3)))
	}
	out.Flush()
	return out.Error()
}

// eventCSV gives one event with the columns of a dataset.
func (p *Page) eventCSV(w http.ResponseWriter, r *http.Request) error {
	_, e, _, _, err := p.findEvent(r)
	if err != nil {
		return err
	}
	attach(w, "text/csv; charset=utf-8", e.ID+".csv")
	return dataset.WriteCSV(w, iter.Seq[*event.Event](func(yield func(*event.Event) bool) { yield(e) }))
}

// eventPDF gives an event's chart for printing.
func (p *Page) eventPDF(w http.ResponseWriter, r *http.Request) error {
	d, e, _, _, err := p.findEvent(r)
	if err != nil {
		return err
	}
	t, err := p.trace(r.Context(), d, e)
	if errors.Is(err, analysis.ErrNoEvent) {
		return &problem{http.StatusNotFound, "No chart", "The readings of that time cannot be read any more."}
	}
	if err != nil {
		return err
	}
	var pdf bytes.Buffer
	chart := plots.EventChart{Event: *e, Trace: t.trace, Location: p.cfg.Study.Timezone}
	if err := plots.Write(&pdf, plots.Output{Format: plots.PDF}, chart); err != nil {
		return err
	}
	attach(w, "application/pdf", e.ID+".pdf")
	w.Write(pdf.Bytes())
	return nil
}

// attach says that the answer is a file to keep. Names of dwellings may have a
// colon, which some systems' file names may not.
func attach(w http.ResponseWriter, kind, name string) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", `attachment; filename="`+strings.ReplaceAll(name, ":", "_")+`"`)
}

func column(c greywatt.Channel) string { return strings.ReplaceAll(c.String(), "-", "_") }

// stamp writes a time as datasets do: UTC, with milliseconds.
func stamp(at greywatt.Instant) string { return at.Time().UTC().Format("2006-01-02T15:04:05.000Z") }

// number writes a figure; what is not known is empty.
func number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}
