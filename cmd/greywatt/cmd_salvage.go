package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

type salvageOptions struct{ data site.DataFlag }

func salvageCommand() cli.Command {
	return cli.Command{
		Name:     "salvage",
		Example:  "greywatt salvage rescued --data data",
		Operands: "DIR",
		Summary:  "recover what a damaged data folder still has into a new one",
		About: `
Reads all readings that a damaged data folder still has into the new folder
DIR, and names each part that is known to be lost. It goes through the file and
its log page by page, so it works where nothing else opens the file: also
without its beginning or its end. The damaged one is left as it is, byte for
byte. What is kept whole for readmit comes along; rejected records, the alarms and
which nodes are up do not, nor what is kept of analyses, results.sqlite.
Stop the logger first. check --data tells what is damaged; a backup has more
where it is newer than the damage.

    greywatt salvage --data data rescued
    greywatt check --study study.toml --data rescued`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &salvageOptions{},
	}
}

func (o *salvageOptions) AddFlags(flags *pflag.FlagSet) { o.data.AddFlags(flags) }

func (o *salvageOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("name the new folder")
	}
	if _, err := os.Stat(filepath.Join(args[0], store.FileName)); err == nil {
		return cli.Usagef("%s has a store; name a new folder", args[0])
	}
	// Looked for before the new folder is made.
	if _, err := os.Stat(filepath.Join(o.data.Dir, store.FileName)); err != nil {
		return fmt.Errorf("%w: check the data folder's name", err)
	}
	whole, err := (&site.DataFlag{Dir: args[0]}).Write()
	if err != nil {
		return err
	}
	defer whole.Close()
	counts, damage, err := whole.Salvage(ctx, o.data.Dir)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	for _, d := range damage {
		fmt.Fprintln(con.Err, d)
	}
	fmt.Fprintf(con.Out, "%s: %d readings; %s could not be read\n", whole.Path(), counts.New, wording.Count(len(damage), "part"))
	return err
}
