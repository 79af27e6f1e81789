package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"

	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

type salvageOptions struct{ data dataFlag }

func salvageCommand() command {
	return command{
		name:     "salvage",
		operands: "DIR",
		summary:  "make a new data folder of what a damaged one still has",
		about: `
Reads all readings that can still be read from a damaged data folder into the
new folder DIR, and names each part that is lost. The damaged one is left as it
is, byte for byte. What was set aside, the alarms and which nodes are up are not
taken along. Stop the logger first. check --data tells what is damaged; a backup
has more where it is newer than the damage.

    greywatt salvage --data data rescued
    greywatt check --study study.toml --data rescued`,
		codes: []int{exitInterrupted},
		verb:  &salvageOptions{},
	}
}

func (o *salvageOptions) addFlags(flags *pflag.FlagSet) { o.data.addFlags(flags) }

func (o *salvageOptions) run(ctx context.Context, con *console, args []string) error {
	if len(args) != 1 {
		return usagef("name the new folder")
	}
	if _, err := os.Stat(filepath.Join(args[0], store.FileName)); err == nil {
		return usagef("%s has a store; name a new folder", args[0])
	}
	damaged, err := o.data.read()
	if err != nil {
		return err
	}
	defer damaged.Close()
	whole, err := (&dataFlag{args[0]}).write()
	if err != nil {
		return err
	}
	defer whole.Close()
	counts, damage, err := whole.Salvage(ctx, damaged)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	for _, d := range damage {
		fmt.Fprintln(con.err, d)
	}
	fmt.Fprintf(con.out, "%s: %d readings; %s could not be read\n", whole.Path(), counts.New, wording.Count(len(damage), "part"))
	return err
}
