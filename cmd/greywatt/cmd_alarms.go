package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"github.com/spf13/pflag"

	"greywatt/analysis"
	"greywatt/cmd/greywatt/internal/watch"
)

type alarmsOptions struct {
	study     studyFlag
	data      dataFlag
	dwellings []string
	json      bool
}

func alarmsCommand() command {
	return command{
		name:    "alarms",
		summary: "list the alarms that run has raised",
		about: `
Lists the alarms that the guard of each dwelling raised while run was logging:
conductance of the unit or balance of heat that left its level. The level is
learnt from twenty showers, anew after each cleaning and each alarm. An alarm
says that something changed; diagnose says what.`,
		codes: []int{exitInterrupted},
		verb:  &alarmsOptions{},
	}
}

func (o *alarmsOptions) addFlags(flags *pflag.FlagSet) {
	o.study.addFlags(flags)
	o.data.addFlags(flags)
	flags.StringSliceVar(&o.dwellings, "dwelling", nil, "only the dwelling `ID`; may be repeated")
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of a table")
}

func (o *alarmsOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	study, err := o.study.read()
	if err != nil {
		return err
	}
	chosen, err := dwellings(study, o.dwellings)
	if err != nil {
		return err
	}
	st, err := o.data.read()
	if err != nil {
		return err
	}
	defer st.Close()
	var all []analysis.Alarm
	for _, d := range chosen {
		g, err := watch.ReadGuarded(ctx, st, d.ID)
		if err != nil {
			return fmt.Errorf("dwelling %s: %w", d.ID, err)
		}
		all = append(all, g.Alarms...)
	}
	slices.SortStableFunc(all, func(a, b analysis.Alarm) int { return cmp.Compare(a.At, b.At) })
	if o.json {
		enc := json.NewEncoder(con.out)
		for _, a := range all {
			if err := enc.Encode(map[string]any{
				"dwelling": a.Dwelling, "at": a.At.String(), "event_id": a.EventID, "showers": a.Since, "what": a.What, "evidence": a.Evidence,
			}); err != nil {
				return err
			}
		}
		return nil
	}
	if len(all) == 0 {
		_, err := fmt.Fprintln(con.out, "no alarms")
		return err
	}
	t := newTextTable("AT", "DWELLING", "WHAT", "EVIDENCE")
	for _, a := range all {
		t.add(a.At.Time().In(study.Timezone).Format("2006-01-02 15:04"), a.Dwelling, a.What, a.Evidence)
	}
	return t.write(con.out)
}
