// Package plots paints what the analysis found: one event, a dwelling's trend
// and its seasons, a study at a glance, the spread over its dwellings and the
// commissioning sheet, as SVG, PNG or PDF on an [io.Writer].
//
// It paints and words, it does not compute: every figure comes from the
// analysis, save the two that order and sum up the study charts, a dwelling's
// latest level and the median over dwellings. A figure that is NaN is said to
// be unknown; a NaN or an infinity in a series is a gap in its line and never a
// coordinate. The same input gives the same bytes.
//
// Lengths are in px, of which a PDF has 72 to the inch and an SVG or a PNG as
// many as its display. Text is set in Liberation Sans, which a PNG and a PDF
// carry; an SVG names it with metric-compatible fallbacks and states the width
// of every text, so that labels keep clear of each other in any font. An SVG
// uses presentation attributes only: a page that forbids inline styles may
// hold it.
package plots

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
)

// A Format is a file format of a chart.
type Format string

// The formats.
const (
	SVG Format = "svg"
	PNG Format = "png"
	PDF Format = "pdf"
)

// An Output says what kind of picture to make. Zero fields take the defaults.
type Output struct {
	Format        Format // default SVG
	Width, Height int    // px; default 900 by 600, and A4 for a [Sheet]
	Density       int    // device pixels per px of a PNG, 1 to 4; default 1
	Dark          bool   // light ink on dark ground, for a dark page
}

// A Chart is any picture of this package, in any format.
type Chart interface {
	write(w io.Writer, o Output) error
}

// Write writes a chart in the format and size that o asks for: an [EventChart],
// [TrendChart], [OverviewChart], [DistributionChart], [SeasonChart], [Sparkline]
// or [Sheet], or a [Document].
func Write(w io.Writer, o Output, c Chart) error { return c.write(w, o) }

// FormatOf returns the format that a file's name ends in.
func FormatOf(file string) (Format, error) {
	switch f := Format(strings.TrimPrefix(strings.ToLower(filepath.Ext(file)), ".")); f {
	case SVG, PNG, PDF:
		return f, nil
	}
	return "", fmt.Errorf("%s: the name has to end in .svg, .png or .pdf", file)
}

// maxSide bounds a picture's sides, so that a mistyped size cannot take all
// memory.
const maxSide = 8000

// paint makes the picture that fn paints. least is the smallest size, in px,
// at which that chart can be read.
func (o Output) paint(w io.Writer, chart string, least [2]int, m meta, fn func(*canvas)) error {
	if o.Format == "" {
		o.Format = SVG
	}
	if o.Width == 0 && o.Height == 0 {
		o.Width, o.Height = 900, 600
	}
	if o.Density == 0 {
		o.Density = 1
	}
	switch {
	case o.Width < least[0] || o.Height < least[1]:
		return fmt.Errorf("plots: %d x %d px is too small for %s: take at least %d x %d", o.Width, o.Height, chart, least[0], least[1])
	case o.Width > maxSide || o.Height > maxSide:
		return fmt.Errorf("plots: %d x %d px is too large: take at most %d a side", o.Width, o.Height, maxSide)
	case o.Density < 1 || o.Density > 4:
		return fmt.Errorf("plots: density %d: take 1 to 4", o.Density)
	}
	th := light
	if o.Dark {
		th = dark
	}
	c := &canvas{w: float64(o.Width), h: float64(o.Height), theme: th, paper: float64(o.Height), zoom: 1}
	var out io.WriterTo
	switch o.Format {
	case SVG:
		p := newSVG(c.w, c.h, m)
		c.pen, out = p, p
	case PNG:
		p := newPNG(c.w, c.h, o.Density, th.paper)
		c.pen, out = p, p
	case PDF:
		p := newPDF(c.w, c.h, m)
		c.pen, out = p, p
	default:
		return fmt.Errorf("plots: format %q: take svg, png or pdf", o.Format)
	}
	c.rect(c.bounds(), th.paper)
	fn(c)
	if _, err := out.WriteTo(w); err != nil {
		return fmt.Errorf("plots: %s as %s: %w", chart, o.Format, err)
	}
	return nil
}

// A meta is what a picture says about itself to those who do not see it.
type meta struct{ title, description string }
