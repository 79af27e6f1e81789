package main

import (
	"context"
	"fmt"

	"github.com/spf13/pflag"
)

type eraseOptions struct {
	data dataFlag
	yes  bool
}

func eraseCommand() command {
	return command{
		name:     "erase",
		operands: "DWELLING",
		summary:  "remove all that is known of one dwelling",
		about: `
Removes the dwelling's readings, conflicts, records set aside and presence from
the data folder, and overwrites where they stood. It cannot be undone. Stop the
logger first, and take the dwelling out of the study file, or its nodes' next
readings will be logged again. Exports, charts and backups made earlier are not
touched: delete or export them anew.`,
		codes: []int{exitInterrupted},
		verb:  &eraseOptions{},
	}
}

func (o *eraseOptions) addFlags(flags *pflag.FlagSet) {
	o.data.addFlags(flags)
	flags.BoolVar(&o.yes, "yes", false, "do it")
}

func (o *eraseOptions) run(ctx context.Context, con *console, args []string) error {
	if len(args) != 1 {
		return usagef("name one dwelling")
	}
	if !o.yes {
		return usagef("this removes all readings of %s for good; say --yes to do it", args[0])
	}
	// Opened for reading first: erasing from a folder without data is a slip.
	if st, err := o.data.read(); err != nil {
		return err
	} else if err := st.Close(); err != nil {
		return err
	}
	st, err := o.data.write()
	if err != nil {
		return err
	}
	defer st.Close()
	if err := st.Erase(ctx, args[0]); err != nil {
		return err
	}
	_, err = fmt.Fprintf(con.out, "%s is erased\n", args[0])
	return err
}
