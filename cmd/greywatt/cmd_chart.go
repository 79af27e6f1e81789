package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots"
)

type chartOptions struct {
	siteFlags
	out    string
	width  int
	height int
	clamps bool
	dark   bool
}

func chartCommand() command {
	return command{
		name:     "chart",
		operands: "EVENT_ID",
		summary:  "draw one event",
		about: `
Draws the four temperatures and the flow of one event, the steady part shaded,
and its effectiveness beside the expected value. EVENT_ID is as events lists
it. The extension of --out says the format: .svg, .png or .pdf.`,
		codes: []int{exitInterrupted},
		verb:  &chartOptions{},
	}
}

func (o *chartOptions) addFlags(flags *pflag.FlagSet) {
	o.siteFlags.addFlags(flags)
	flags.StringVar(&o.out, "out", "", "the `FILE` to write (default EVENT_ID.svg)")
	flags.IntVar(&o.width, "width", 900, "`PIXELS` across")
	flags.IntVar(&o.height, "height", 600, "`PIXELS` down")
	flags.BoolVar(&o.clamps, "clamps", false, "also draw what the clamps read, before correction")
	flags.BoolVar(&o.dark, "dark", false, "draw on a dark ground")
}

func (o *chartOptions) run(ctx context.Context, con *console, args []string) error {
	if len(args) != 1 {
		return usagef("name one event, as greywatt events lists it")
	}
	id := args[0]
	if _, _, err := splitEventID(id); err != nil {
		return err
	}
	if o.out == "" {
		o.out = id + ".svg"
	}
	format, err := chartFormat(o.out)
	if err != nil {
		return err
	}
	s, err := o.open(con, nil)
	if err != nil {
		return err
	}
	defer s.close()
	event, trace, err := traceEvent(ctx, s.readings, s.study, id)
	if err != nil {
		return err
	}
	err = staging.WriteFile(o.out, func(w io.Writer) error {
		return plots.Event(w, plots.Output{Format: format, Width: o.width, Height: o.height, Dark: o.dark},
			plots.EventChart{Event: event, Trace: trace, Location: s.study.Timezone, Clamps: o.clamps})
	})
	if err != nil {
		return fmt.Errorf("chart: %w", err)
	}
	_, err = fmt.Fprintln(con.out, o.out)
	return err
}

// chartFormat tells the format from a file's extension.
func chartFormat(file string) (plots.Format, error) {
	switch f := plots.Format(strings.TrimPrefix(strings.ToLower(filepath.Ext(file)), ".")); f {
	case plots.SVG, plots.PNG, plots.PDF:
		return f, nil
	}
	return "", usagef("--out %s: the extension must be .svg, .png or .pdf", file)
}

// traceEvent analyses the readings around one event.
func traceEvent(ctx context.Context, from frameSource, s *greywatt.Study, id string) (event.Event, event.Trace, error) {
	none := func(err error) (event.Event, event.Trace, error) {
		return event.Event{}, event.Trace{}, err
	}
	dwelling, start, err := splitEventID(id)
	if err != nil {
		return none(err)
	}
	d, ok := s.Dwelling(dwelling)
	if !ok {
		return none(noDwelling(s, dwelling))
	}
	around := period{from: start, to: start.Add(1)}
	var frames []greywatt.Frame
	for batch, err := range from.Frames(ctx, d.ID, around.runIn(), around.runOut()) {
		if err != nil {
			return none(fmt.Errorf("dwelling %s: %w", d.ID, err))
		}
		frames = append(frames, batch...)
	}
	event, trace, found := event.TraceEvent(s, d, frames, id)
	if !found {
		return none(fmt.Errorf("no event %s; greywatt events --dwelling %s lists those there are", id, d.ID))
	}
	return event, trace, nil
}

// splitEventID takes an event's id apart: its dwelling and its start, to the
// second.
func splitEventID(id string) (dwelling string, start greywatt.Instant, err error) {
	i := strings.LastIndexByte(id, '-')
	if i < 0 {
		return "", 0, usagef("%q is no event's id; greywatt events lists them", id)
	}
	at, err := time.Parse("20060102T150405Z", id[i+1:])
	if err != nil {
		return "", 0, usagef("%q is no event's id; greywatt events lists them", id)
	}
	return id[:i], greywatt.InstantOf(at), nil
}
