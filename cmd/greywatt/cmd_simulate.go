package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/staging"
)

type simulateOptions struct {
	out    string
	preset string
	format string
	seed   uint64
	days   int
}

func simulateCommand() command {
	return command{
		name:    "simulate",
		summary: "invent a study: its file, readings and the truth",
		about: `
Simulates dwellings and writes into a folder: study.toml, the readings of each
dwelling as the nodes would send them, and truth.csv with what really happened.
The same flags give the same bytes. The presets:

  demo      six dwellings of all three connections; one unit fouls
  accuracy  one healthy dwelling, for scoring
  season    one healthy dwelling over a year
  fouling, step-loss, ... (any finding, or healthy)
            90 days of one dwelling with that fault`,
		codes: []int{exitInterrupted},
		verb:  &simulateOptions{},
	}
}

func (o *simulateOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVar(&o.out, "out", "", "the `DIR` to write into (required)")
	flags.StringVar(&o.preset, "preset", "demo", "`NAME` of what to simulate")
	flags.Uint64Var(&o.seed, "seed", 1, "the `NUMBER` that all chance comes from")
	flags.IntVar(&o.days, "days", demoDays, "`DAYS` to simulate, for demo and accuracy")
	flags.StringVar(&o.format, "format", string(framefile.SenML), "`FORMAT` of the readings: senml or csv")
}

func (o *simulateOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	if o.out == "" {
		return usagef("say where to: --out DIR")
	}
	if o.days < 1 || o.days > 3660 {
		return usagef("--days %d: want 1 to 3660", o.days)
	}
	format := framefile.Format(o.format)
	if format != framefile.SenML && format != framefile.CSV {
		return usagef("--format %q: want senml or csv", o.format)
	}
	street, err := o.street()
	if err != nil {
		return err
	}
	stage, err := staging.In(o.out)
	if err != nil {
		return err
	}
	defer stage.Discard()
	if err := stage.Write("study.toml", func(w io.Writer) error { return simulate.WriteStudy(w, &street.Study) }); err != nil {
		return err
	}
	bar := con.progress(int64(len(street.Houses)), "dwellings simulated")
	truths := make([]simulate.Truth, len(street.Houses))
	for i, h := range street.Houses {
		err := stage.Write(h.Dwelling.ID+"."+o.format, func(w io.Writer) error {
			return writeHouse(ctx, w, format, h, &truths[i])
		})
		if err != nil {
			return err
		}
		bar.Add(1)
	}
	bar.Finish()
	if err := stage.Write("truth.csv", func(w io.Writer) error { return writeTruth(w, street, truths) }); err != nil {
		return err
	}
	if err := stage.Publish(); err != nil {
		return err
	}
	_, err = fmt.Fprintf(con.out, "%s: %s of %s\nNext: %s import --study %s --data DIR %s\n",
		o.out, plural(days(street), "day"), plural(len(street.Houses), "dwelling"), con.name,
		filepath.Join(o.out, "study.toml"), filepath.Join(o.out, "*."+o.format))
	return err
}

// street returns what the preset names.
func (o *simulateOptions) street() (*simulate.Street, error) {
	switch o.preset {
	case "demo":
		return simulate.Demo(o.seed, o.days, demoZone()), nil
	case "accuracy":
		return simulate.Accuracy(o.seed, o.days), nil
	case "season":
		return simulate.Season(o.seed), nil
	}
	if kind := simulate.FaultKind(o.preset); slices.Contains(simulate.FaultKinds, kind) {
		return simulate.Faulty(kind, o.seed), nil
	}
	names := []string{"demo", "accuracy", "season"}
	for _, kind := range simulate.FaultKinds {
		names = append(names, string(kind))
	}
	return nil, usagef("--preset %q: want one of %s", o.preset, strings.Join(names, ", "))
}

// demoZone is where the demo's street lies: it has a summer time.
func demoZone() *time.Location {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic("greywatt: the time zone database is part of the program: " + err.Error())
	}
	return zone
}

func days(s *simulate.Street) int { return s.Houses[0].Days }

func writeHouse(ctx context.Context, w io.Writer, format framefile.Format, h *simulate.House, truth *simulate.Truth) error {
	file, err := framefile.New(w, format)
	if err != nil {
		return err
	}
	for frame := range h.Frames(truth) {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := file.Write(h.Dwelling.ID, &frame); err != nil {
			return err
		}
	}
	return file.Flush()
}

// writeTruth writes what happened, with the names of events.csv where the
// meaning is the same.
func writeTruth(w io.Writer, s *simulate.Street, truths []simulate.Truth) error {
	if _, err := fmt.Fprintln(w, "dwelling,kind,start,end,running_s,volume_l,heat_kwh,measurable,steady_s,flow_l_min,waste_flow_l_min,"+
		"waste_in_c,waste_out_c,cold_in_c,preheat_out_c,effectiveness,expected,ratio,ua_ratio"); err != nil {
		return err
	}
	for i, truth := range truths {
		for _, e := range truth.Events {
			cells := []string{s.Houses[i].Dwelling.ID, string(e.Kind), e.Start.String(), e.End.String(),
				figure(e.RunningS, 1), figure(e.VolumeL, 3), figure(e.HeatKWh, 6), fmt.Sprint(e.Measurable), figure(e.SettledS, 1),
				figure(e.FlowLMin, 3), figure(e.WasteFlowLMin, 3), figure(e.Port[0], 3), figure(e.Port[1], 3), figure(e.Port[2], 3), figure(e.Port[3], 3),
				figure(e.EffActual, 5), figure(e.Expected, 5), figure(e.Ratio, 5), figure(e.UARatio, 5)}
			if _, err := fmt.Fprintln(w, strings.Join(cells, ",")); err != nil {
				return err
			}
		}
	}
	return nil
}
