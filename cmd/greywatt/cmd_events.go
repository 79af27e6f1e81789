package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

type eventsOptions struct {
	site.Flags
	dwellings site.DwellingFlag
	kinds     []string
	json      bool
}

func eventsCommand() cli.Command {
	return cli.Command{
		Name:     "events",
		Example:  "greywatt events larch-04 --study study.toml --data data --kind shower",
		Basic:    true,
		Operands: "[DWELLING...]",
		Summary:  "list the showers and other draws that the data shows",
		About: `
Analyses the readings and lists the events: effectiveness and ratio to the
expected value with their uncertainty (k = 2), heat, and flags that say why a
figure is missing or weak. Times are in the study's time zone. It may run
beside the logger.

What comes of the readings is kept beside them, in results.sqlite, and only what
is new, or came late, is analysed the next time, by summary, diagnose, report,
export, trend, alarms, commission, run and watch too; with --from or --to also
some days at that period's bounds, as its analysis begins two days before it and
knows nothing older. The figures are the same with --recompute. The file may be
deleted at any time.

With --json each event is an object on a line of its own, with the names and
figures of events.csv; null is not known.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &eventsOptions{},
	}
}

var eventKinds = []event.Kind{event.Shower, event.OtherDraw, event.Partial}

func (o *eventsOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.Kept.AddFlags(flags)
	o.Worker.AddFlags(flags)
	o.dwellings.AddFlags(flags)
	flags.StringSliceVar(&o.kinds, "kind", nil, "only events of `KIND`: shower, other-draw or partial; may be repeated")
	cli.Choices(flags, "kind", eventKinds...)
	o.Period.AddFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of a table")
}

func (o *eventsOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	for _, k := range o.kinds {
		if !slices.Contains(eventKinds, event.Kind(k)) {
			return cli.Usagef("--kind %q: want shower, other-draw or partial", k)
		}
	}
	s, err := o.Open(con, o.dwellings.With(args))
	if err != nil {
		return err
	}
	defer s.Close()

	out := bufio.NewWriter(con.Out)
	table := newEventTable(s.Study.Timezone)
	damage := site.DamageReport{Console: con}
	for r := range s.Analyse(ctx) {
		if r.Err != nil {
			return r.Err
		}
		damage.AddResult(&r)
		events := slices.DeleteFunc(r.Events, func(e event.Event) bool {
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
	return damage.Err()
}

// An eventTable lists events for people.
type eventTable struct {
	text  *cli.Table
	zone  *time.Location
	kinds map[event.Kind]int
}

func newEventTable(zone *time.Location) *eventTable {
	return &eventTable{
		text: cli.NewTable("EVENT", "START", "KIND", ">MIN:S", ">LITRES", ">L/MIN",
			">EFFECTIVENESS", ">EXPECTED", ">RATIO", ">HEAT KWH", "FLAGS"),
		zone:  zone,
		kinds: map[event.Kind]int{},
	}
}

func (t *eventTable) add(e *event.Event) {
	t.kinds[e.Kind]++
	t.text.Add(eventCells(e, t.zone)...)
}

func eventCells(e *event.Event, zone *time.Location) []string {
	flags := make([]string, len(e.Flags))
	for i, f := range e.Flags {
		flags[i] = string(f)
	}
	return []string{
		e.ID, e.Start.Time().In(zone).Format("2006-01-02 15:04"), string(e.Kind),
		cli.Minutes(e.DurationS), cli.Figure(e.VolumeL, 1), cli.Figure(e.FlowLMin, 1),
		cli.WithU95(e.Effectiveness, e.EffectivenessU95, 3), cli.Figure(e.Expected, 3),
		cli.WithU95(e.Ratio, e.RatioU95, 3), cli.WithU95(e.HeatKWh, e.HeatU95KWh, 3),
		strings.Join(flags, ", "),
	}
}

// write writes the table and a line that counts the events.
func (t *eventTable) write(w io.Writer) error {
	if len(t.text.Rows) == 0 {
		_, err := fmt.Fprintln(w, "no events")
		return err
	}
	if err := t.text.Write(w); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%s, %s, %s\n", wording.Count(t.kinds[event.Shower], "shower"),
		wording.Count(t.kinds[event.OtherDraw], "other draw"), wording.Count(t.kinds[event.Partial], "partial event"))
	return err
}
