package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest"
)

type dumpOptions struct {
	data      site.StoreFlags
	format    string
	dwellings site.DwellingFlag
}

func dumpCommand() cli.Command {
	return cli.Command{
		Name:     "dump",
		Example:  "greywatt dump larch-04 --data data --format csv",
		Operands: "[DWELLING...]",
		Summary:  "write all readings as text or Parquet",
		About: `
Writes every reading in the data folder, as the sensors gave it, to standard
output: as a wide table, a line a node and instant, as SenML packs, one a line,
or the table as Parquet, for what reads columns. greywatt import takes the first
two in again; from SenML the readings are the same bit for bit. Parquet is for
other programs, import needs a recipe for it. What cannot be read or written is
named, the rest is written, and the exit code is 1. It may run beside the logger.

    greywatt dump --data data --format parquet > readings.parquet`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &dumpOptions{},
	}
}

func (o *dumpOptions) AddFlags(flags *pflag.FlagSet) {
	o.data.AddFlags(flags)
	flags.StringVar(&o.format, "format", string(framefile.CSV), "`FORMAT` to write, csv, senml or parquet")
	cli.Choices(flags, "format", framefile.CSV, framefile.SenML, framefile.Parquet)
	o.dwellings.AddFlags(flags)
}

func (o *dumpOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	switch f := framefile.Format(o.format); {
	case f != framefile.CSV && f != framefile.SenML && f != framefile.Parquet:
		return cli.Usagef("--format %q: want csv, senml or parquet", o.format)
	case f == framefile.Parquet && cli.IsTerminal(con.Out):
		return cli.Usagef("--format parquet writes no text: send it to a file, as in > readings.parquet")
	}
	st, err := o.data.Read(con)
	if err != nil {
		return err
	}
	defer st.Close()
	dwellings := o.dwellings.With(args)
	if len(dwellings) == 0 {
		if dwellings, err = st.Dwellings(ctx); err != nil {
			return err
		}
	}
	out, err := framefile.New(con.Out, framefile.Format(o.format))
	if err != nil {
		return err
	}
	var failed error // the first of what cannot be written
	for _, dwelling := range dwellings {
		err := dump(ctx, con, st, out, dwelling)
		failed = cmp.Or(failed, err)
		if ctx.Err() != nil || err != nil && !errors.As(err, new(*framefile.UnwritableError)) && !errors.As(err, new(*ingest.CorruptError)) {
			return errors.Join(err, out.Flush()) // whole lines
		}
	}
	return cmp.Or(failed, out.Flush())
}

// dump writes one dwelling. What cannot be read or written is named, the rest of
// it is written, and the first such error is returned.
func dump(ctx context.Context, con *cli.Console, st site.FrameSource, out *framefile.Writer, dwelling string) (failed error) {
	note := func(err error) {
		if failed == nil {
			failed = fmt.Errorf("dwelling %s is not written in full: %w", dwelling, err)
		}
	}
	unwritable := map[string]bool{} // nodes
	for frames, err := range st.Frames(ctx, dwelling, 0, 0) {
		if err != nil {
			var damage *ingest.CorruptError
			if !errors.As(err, &damage) {
				return err
			}
			fmt.Fprintln(con.Err, err)
			note(err)
		}
		for i := range frames {
			err := out.Write(dwelling, &frames[i])
			var bad *framefile.UnwritableError
			if errors.As(err, &bad) {
				if !unwritable[bad.Node] {
					fmt.Fprintln(con.Err, err)
				}
				unwritable[bad.Node] = true
				note(err)
			} else if err != nil {
				return err
			}
		}
	}
	return failed
}
