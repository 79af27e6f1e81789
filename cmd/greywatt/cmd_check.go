package main

import (
	"context"
	"fmt"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

type checkOptions struct {
	study site.StudyFlag
	data  string
}

func checkCommand() cli.Command {
	return cli.Command{
		Name:    "check",
		Summary: "name every mistake in a study file, and damage in the data",
		About: `
Reads the study file and names every mistake at once, each as
FILE:LINE: KEY: what is wrong; what to do. Unknown keys are mistakes.

With --data it also reads the whole store and names every part of it that is
damaged; salvage makes a folder of what is left.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &checkOptions{},
	}
}

func (o *checkOptions) AddFlags(flags *pflag.FlagSet) {
	o.study.AddFlags(flags)
	flags.StringVar(&o.data, "data", "", "also check the data `DIR`")
}

func (o *checkOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	s, err := o.study.Read()
	if err != nil {
		return err
	}
	fmt.Fprintf(con.Out, "%s: no mistakes; %s, time zone %s\n", o.study.File, wording.Count(len(s.Dwellings), "dwelling"), s.Timezone)
	if o.data == "" {
		return nil
	}
	return checkData(ctx, con, site.DataFlag{Dir: o.data}, s)
}

// checkData reads the whole store, and names dwellings that the study does not.
func checkData(ctx context.Context, con *cli.Console, data site.DataFlag, s *greywatt.Study) error {
	st, err := data.Read()
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
			fmt.Fprintf(con.Out, "%s: has readings of %s, which the study does not name: they are kept and not analysed\n", st.Path(), id)
		}
	}
	damage, err := st.Check(ctx)
	if err != nil {
		return err
	}
	for _, d := range damage {
		fmt.Fprintln(con.Err, d)
	}
	if len(damage) > 0 {
		return fmt.Errorf("%s: %s; salvage what is left, or go back to a backup", st.Path(), wording.Count(len(damage), "damaged block"))
	}
	_, err = fmt.Fprintf(con.Out, "%s: no damage; %s\n", st.Path(), wording.Count(len(stored), "dwelling"))
	return err
}
