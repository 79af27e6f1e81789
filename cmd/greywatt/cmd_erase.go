package main

import (
	"context"
	"fmt"
	"slices"

	"github.com/spf13/pflag"

	"greywatt"
)

type eraseOptions struct {
	data   storeFlags
	mirror string
	yes    bool
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
	flags.StringVar(&o.mirror, "mirror", "", "erase it in the InfluxDB bucket at `URL` too")
	flags.BoolVar(&o.yes, "yes", false, "do it")
}

func (o *eraseOptions) run(ctx context.Context, con *console, args []string) error {
	if len(args) != 1 {
		return usagef("name one dwelling")
	}
	if !o.yes {
		return usagef("this removes all readings of %s for good; say --yes to do it", args[0])
	}
	if err := o.find(ctx, con, args[0]); err != nil {
		return err
	}
	st, err := o.data.write(con)
	if err != nil {
		return err
	}
	defer st.Close()
	if err := st.Erase(ctx, args[0]); err != nil {
		return err
	}
	if o.mirror != "" {
		if err := o.eraseMirrored(ctx, con, args[0]); err != nil {
			return err
		}
	}
	_, err = fmt.Fprintf(con.out, "%s is erased\n", args[0])
	return err
}

// find refuses a name of which the data knows nothing: it is a slip, and who
// erases wants to be sure.
func (o *eraseOptions) find(ctx context.Context, con *console, dwelling string) error {
	st, err := o.data.records(con)
	if err != nil {
		return err
	}
	defer st.Close()
	nodes, err := st.Nodes(ctx)
	if err != nil {
		return err
	}
	refused, err := st.RefusalCounts(ctx)
	if err != nil {
		return err
	}
	var names []string
	for _, n := range nodes {
		names = append(names, n.Dwelling)
	}
	for _, r := range refused {
		names = append(names, r.Dwelling)
	}
	if slices.Contains(names, dwelling) {
		return nil
	}
	if near, ok := greywatt.Nearest(dwelling, names); ok {
		return usagef("nothing of %s in %s; did you mean %s?", dwelling, o.data.name(), near)
	}
	return usagef("nothing of %s in %s", dwelling, o.data.name())
}
