package main

import (
	"context"
	"fmt"

	"github.com/spf13/pflag"
)

type checkOptions struct{ study studyFlag }

func checkCommand() command {
	return command{
		name:    "check",
		summary: "name every mistake in a study file",
		about: `
Reads the study file and names every mistake at once, each as
FILE:LINE: KEY: what is wrong; what to do. Unknown keys are mistakes.`,
		verb: &checkOptions{},
	}
}

func (o *checkOptions) addFlags(flags *pflag.FlagSet) { o.study.addFlags(flags) }

func (o *checkOptions) run(_ context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	s, err := o.study.read()
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(con.out, "%s: no mistakes; %s, time zone %s\n", o.study.file, plural(len(s.Dwellings), "dwelling"), s.Timezone)
	return err
}
