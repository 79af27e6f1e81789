package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/spf13/pflag"

	"greywatt/analysis/monitor"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/watch"
)

type alarmsOptions struct {
	site.Flags
	dwellings site.DwellingFlag
	json      bool
}

func alarmsCommand() cli.Command {
	return cli.Command{
		Name:     "alarms",
		Example:  "greywatt alarms --study study.toml --data data",
		Operands: "[DWELLING...]",
		Summary:  "list the alarms that run has raised",
		About: `
Lists the alarms that the guard of each dwelling raised while run was logging:
conductance of the unit or balance of heat that left its level. The level is
learnt from twenty showers, and again after each cleaning and each alarm. An alarm
says that something changed; diagnose says what.

With --store, where run notes nothing, the guards look at all readings that the
server has.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &alarmsOptions{},
	}
}

func (o *alarmsOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.Kept.AddFlags(flags)
	o.dwellings.AddFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of a table")
}

func (o *alarmsOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	s, err := o.Choose(o.dwellings.With(args))
	if err != nil {
		return err
	}
	all, err := o.alarms(ctx, con, s)
	if err != nil {
		return err
	}
	slices.SortStableFunc(all, func(a, b monitor.Alarm) int { return cmp.Compare(a.At, b.At) })
	if o.json {
		for _, a := range all {
			if err := cli.WriteJSONLine(con.Out, alarmJSON{a.Dwelling, a.At.String(), a.EventID, a.Since, string(a.What), a.Evidence}); err != nil {
				return err
			}
		}
		return nil
	}
	if len(all) == 0 {
		_, err := fmt.Fprintln(con.Out, "no alarms")
		return err
	}
	t := cli.NewTable("AT", "DWELLING", "WHAT", "EVIDENCE")
	for _, a := range all {
		t.Add(a.At.Time().In(s.Study.Timezone).Format("2006-01-02 15:04"), a.Dwelling, a.What, a.Evidence)
	}
	return t.Write(con.Out)
}

type alarmJSON struct {
	Dwelling string `json:"dwelling"` // its id
	At       string `json:"at"`       // start of the shower that raised it
	EventID  string `json:"event_id"` // of that shower
	Showers  int    `json:"showers"`  // since which it has been so
	What     string `json:"what"`     // see [alarms](#alarms)
	Evidence string `json:"evidence"` // the figures that led to it
}

// alarms returns the dwellings' alarms: those that run noted in the data folder.
// A server has no such notes, so there the guards look at all events.
func (o *alarmsOptions) alarms(ctx context.Context, con *cli.Console, s *site.Site) ([]monitor.Alarm, error) {
	if o.Data.OnServer() {
		return o.raised(ctx, con, s)
	}
	st, err := o.Data.DataFlag.Read()
	if err != nil {
		return nil, err
	}
	defer st.Close()
	var all []monitor.Alarm
	for _, d := range s.Chosen {
		g, err := watch.ReadGuarded(ctx, st, d.ID)
		if err != nil {
			return nil, fmt.Errorf("dwelling %s: %w", d.ID, err)
		}
		all = append(all, g.Alarms...)
	}
	return all, nil
}

// raised returns what guards say that look at all events.
func (o *alarmsOptions) raised(ctx context.Context, con *cli.Console, s *site.Site) ([]monitor.Alarm, error) {
	if err := o.OpenReadings(con, s); err != nil {
		return nil, err
	}
	defer s.Close()
	var all []monitor.Alarm
	for r := range s.Analyse(ctx) {
		if r.Err != nil {
			return nil, r.Err
		}
		var g monitor.Guard
		for i := range r.Events {
			all = append(all, g.Add(s.Study, r.Dwelling, &r.Events[i])...)
		}
	}
	return all, nil
}
