package live

import (
	"bytes"
	"errors"
	"net/http"

	"greywatt/analysis"
	"greywatt/plots"
)

// A chartSize is a chart's size in px on a desk and on a phone.
type chartSize struct{ w, h, narrowW, narrowH int }

var (
	trendSize = chartSize{900, 480, 358, 460}
	eventSize = chartSize{900, 600, 358, 600}
)

// output returns the picture that a request asks for.
func (s chartSize) output(r *http.Request) plots.Output {
	o := plots.Output{Width: s.w, Height: s.h, Dark: r.URL.Query().Has("dark")}
	if r.URL.Query().Has("narrow") {
		o.Width, o.Height = s.narrowW, s.narrowH
	}
	return o
}

func (p *Page) trendChart(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	d.mu.Lock()
	diagnosis := d.past.Diagnosis
	d.mu.Unlock()
	chart := plots.TrendChart{Dwelling: *d.Dwelling, Points: diagnosis.Trend, Findings: nil, Location: p.cfg.Study.Timezone}
	var svg bytes.Buffer
	if err := plots.Write(&svg, trendSize.output(r), chart); err != nil {
		return err
	}
	return writeSVG(w, &svg)
}

// spark draws the trend for a row of the overview.
func (p *Page) spark(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	d.mu.Lock()
	points := d.past.Diagnosis.Trend
	d.mu.Unlock()
	var svg bytes.Buffer
	strip := plots.Sparkline{Name: d.ID, Points: points, Location: p.cfg.Study.Timezone}
	if err := plots.Write(&svg, plots.Output{Dark: r.URL.Query().Has("dark")}, strip); err != nil {
		return err
	}
	return writeSVG(w, &svg)
}

func (p *Page) eventChart(w http.ResponseWriter, r *http.Request) error {
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
	chart := plots.EventChart{Event: *e, Trace: t.trace, Location: p.cfg.Study.Timezone}
	var svg bytes.Buffer
	if err := plots.Write(&svg, eventSize.output(r), chart); err != nil {
		return err
	}
	return writeSVG(w, &svg)
}

// writeSVG writes a chart. Its address changes with what it shows, so that a
// browser may keep it for the length of a visit; it is nobody else's.
func writeSVG(w http.ResponseWriter, svg *bytes.Buffer) error {
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Cache-Control", "private, max-age=600")
	w.Write(svg.Bytes())
	return nil
}
