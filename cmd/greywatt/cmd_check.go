package main

import (
	"context"
	"fmt"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/plots/wording"
)

type checkOptions struct {
	study studyFlag
	data  string
}

func checkCommand() command {
	return command{
		name:    "check",
		summary: "name every mistake in a study file, and damage in the data",
		about: `
Reads the study file and names every mistake at once, each as
FILE:LINE: KEY: what is wrong; what to do. Unknown keys are mistakes.

With --data it also reads the whole store and names every part of it that is
damaged; salvage makes a folder of what is left.`,
		codes: []int{exitInterrupted},
		verb:  &checkOptions{},
	}
}

func (o *checkOptions) addFlags(flags *pflag.FlagSet) {
	o.study.addFlags(flags)
	flags.StringVar(&o.data, "data", "", "also check the data `DIR`")
}

func (o *checkOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	s, err := o.study.read()
	if err != nil {
		return err
	}
	fmt.Fprintf(con.out, "%s: no mistakes; %s, time zone %s\n", o.study.file, wording.Count(len(s.Dwellings), "dwelling"), s.Timezone)
	if o.data == "" {
		return nil
	}
	return checkData(ctx, con, dataFlag{o.data}, s)
}

// checkData reads the whole store, and names dwellings that the study does not.
func checkData(ctx context.Context, con *console, data dataFlag, s *greywatt.Study) error {
	st, err := data.read()
	if err != nil {
		return err
	}
	defer st.Close()
	stored, err := st.Dwellings(ctx)
	if err != nil {
		return err
	}
	for _, id := range stored {
		if _, ok := s.Dwelling(id); !ok {
			fmt.Fprintf(con.out, "%s: has readings of %s, which the study does not name: they are kept and not analysed\n", st.Path(), id)
		}
	}
	damage, err := st.Check(ctx)
	if err != nil {
		return err
	}
	for _, d := range damage {
		fmt.Fprintln(con.err, d)
	}
	if len(damage) > 0 {
		return fmt.Errorf("%s: %s; salvage what is left, or go back to a backup", st.Path(), wording.Count(len(damage), "damaged part"))
	}
	_, err = fmt.Fprintf(con.out, "%s: no damage; %s\n", st.Path(), wording.Count(len(stored), "dwelling"))
	return err
}
