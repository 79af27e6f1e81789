package main

import (
	"context"
	"fmt"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/site"
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
		Summary:  "write all readings as text",
		About: `
Writes every reading in the data folder, as the sensors gave it, to standard
output: as a wide table, a line a node and instant, or as SenML packs, one a
line. greywatt import takes both in again; from SenML the readings are the same
bit for bit. It may run beside the logger.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &dumpOptions{},
	}
}

func (o *dumpOptions) AddFlags(flags *pflag.FlagSet) {
	o.data.AddFlags(flags)
	flags.StringVar(&o.format, "format", string(framefile.CSV), "`FORMAT` to write, csv or senml")
	cli.Choices(flags, "format", framefile.CSV, framefile.SenML)
	o.dwellings.AddFlags(flags)
}

func (o *dumpOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if f := framefile.Format(o.format); f != framefile.CSV && f != framefile.SenML {
		return cli.Usagef("--format %q: want csv or senml", o.format)
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
	for _, dwelling := range dwellings {
		if err := dump(ctx, st, out, dwelling); err != nil {
			return fmt.Errorf("dwelling %s: %w", dwelling, err)
		}
	}
	return out.Flush()
}

func dump(ctx context.Context, st site.FrameSource, out *framefile.Writer, dwelling string) error {
	for frames, err := range st.Frames(ctx, dwelling, 0, 0) {
		if err != nil {
			return err
		}
		for i := range frames {
			if err := out.Write(dwelling, &frames[i]); err != nil {
				return err
			}
		}
	}
	return nil
}
