package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/plots/wording"
)

type eventsOptions struct {
	siteFlags
	dwellings []string
	kinds     []string
	json      bool
}

func eventsCommand() command {
	return command{
		name:    "events",
		summary: "list the showers and other draws that the data shows",
		about: `
Analyses the readings and lists the events: effectiveness and ratio to the
expected value with their uncertainty (k = 2), heat, and flags that say why a
figure is missing or weak. Times are in the study's time zone. It may run
beside the logger.

With --json each event is an object on a line of its own, with the names and
figures of events.csv; null is not known.`,
		codes: []int{exitInterrupted},
		verb:  &eventsOptions{},
	}
}

var eventKinds = []event.Kind{event.Shower, event.OtherDraw, event.Partial}

func (o *eventsOptions) addFlags(flags *pflag.FlagSet) {
	o.siteFlags.addFlags(flags)
	o.worker.addFlags(flags)
	flags.StringSliceVar(&o.dwellings, "dwelling", nil, "only the dwelling `ID`; may be repeated")
	flags.StringSliceVar(&o.kinds, "kind", nil, "only events of `KIND`: shower, other-draw or partial; may be repeated")
	choices(flags, "kind", eventKinds...)
	o.period.addFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of a table")
}

func (o *eventsOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	for _, k := range o.kinds {
		if !slices.Contains(eventKinds, event.Kind(k)) {
			return usagef("--kind %q: want shower, other-draw or partial", k)
		}
	}
	s, err := o.open(con, o.dwellings)
	if err != nil {
		return err
	}
	defer s.close()

	out := bufio.NewWriter(con.out)
	table := newEventTable(s.study.Timezone)
	damage := damageReport{con: con}
	for r := range s.analyse(ctx) {
		if r.err != nil {
			return r.err
		}
		damage.add(r)
		events := slices.DeleteFunc(r.events, func(e event.Event) bool {
			return len(o.kinds) > 0 && !slices.Contains(o.kinds, string(e.Kind))
		})
		if o.json {
			if err := dataset.WriteJSON(out, events); err != nil {
				return err
			}
			continue
		}
		for i := range events {
			table.add(&events[i])
		}
	}
	if !o.json {
		if err := table.write(out); err != nil {
			return err
		}
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return damage.err()
}

// An eventTable lists events for people.
type eventTable struct {
	text  *textTable
	zone  *time.Location
	kinds map[event.Kind]int
}

func newEventTable(zone *time.Location) *eventTable {
	return &eventTable{
		text: newTextTable("EVENT", "START", "KIND", ">MIN:S", ">LITRES", ">L/MIN",
			">EFFECTIVENESS", ">EXPECTED", ">RATIO", ">HEAT KWH", "FLAGS"),
		zone:  zone,
		kinds: map[event.Kind]int{},
	}
}

func (t *eventTable) add(e *event.Event) {
	t.kinds[e.Kind]++
	t.text.add(eventCells(e, t.zone)...)
}

func eventCells(e *event.Event, zone *time.Location) []string {
	flags := make([]string, len(e.Flags))
	for i, f := range e.Flags {
		flags[i] = string(f)
	}
	return []string{
		e.ID, e.Start.Time().In(zone).Format("2006-01-02 15:04"), string(e.Kind),
		minutes(e.DurationS), figure(e.VolumeL, 1), figure(e.FlowLMin, 1),
		withU95(e.Effectiveness, e.EffectivenessU95, 3), figure(e.Expected, 3),
		withU95(e.Ratio, e.RatioU95, 3), withU95(e.HeatKWh, e.HeatU95KWh, 3),
		strings.Join(flags, ", "),
	}
}

// write writes the table and a line that counts the events.
func (t *eventTable) write(w io.Writer) error {
	if len(t.text.rows) == 0 {
		_, err := fmt.Fprintln(w, "no events")
		return err
	}
	if err := t.text.write(w); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%s, %s, %s\n", wording.Count(t.kinds[event.Shower], "shower"),
		wording.Count(t.kinds[event.OtherDraw], "other draw"), wording.Count(t.kinds[event.Partial], "partial event"))
	return err
}

// figure writes a figure, nothing where it is not known.
func figure(v float64, decimals int) string {
	if math.IsNaN(v) {
		return ""
	}
	return fmt.Sprintf("%.*f", decimals, v)
}

// withU95 writes a figure with its expanded uncertainty.
func withU95(v, u95 float64, decimals int) string {
	if math.IsNaN(v) || math.IsNaN(u95) {
		return figure(v, decimals)
	}
	return fmt.Sprintf("%.*f ± %.*f", decimals, v, decimals, u95)
}

func minutes(seconds float64) string {
	s := int(math.Round(seconds))
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}
