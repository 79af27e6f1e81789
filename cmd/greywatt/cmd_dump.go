package main

import (
	"context"
	"fmt"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/framefile"
)

type dumpOptions struct {
	data      storeFlags
	format    string
	dwellings []string
}

func dumpCommand() command {
	return command{
		name:    "dump",
		summary: "write all readings as text",
		about: `
Writes every reading in the data folder, as the sensors gave it, to standard
output: as a wide table, a line a node and instant, or as SenML packs, one a
line. greywatt import takes both in again; from SenML the readings are the same
bit for bit. It may run beside the logger.`,
		codes: []int{exitInterrupted},
		verb:  &dumpOptions{},
	}
}

func (o *dumpOptions) addFlags(flags *pflag.FlagSet) {
	o.data.addFlags(flags)
	flags.StringVar(&o.format, "format", string(framefile.CSV), "`FORMAT` to write, csv or senml")
	choices(flags, "format", framefile.CSV, framefile.SenML)
	flags.StringSliceVar(&o.dwellings, "dwelling", nil, "only the dwelling `ID`; may be repeated")
}

func (o *dumpOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	if f := framefile.Format(o.format); f != framefile.CSV && f != framefile.SenML {
		return usagef("--format %q: want csv or senml", o.format)
	}
	st, err := o.data.read(con)
	if err != nil {
		return err
	}
	defer st.Close()
	if len(o.dwellings) == 0 {
		if o.dwellings, err = st.Dwellings(ctx); err != nil {
			return err
		}
	}
	out, err := framefile.New(con.out, framefile.Format(o.format))
	if err != nil {
		return err
	}
	for _, dwelling := range o.dwellings {
		if err := dump(ctx, st, out, dwelling); err != nil {
			return fmt.Errorf("dwelling %s: %w", dwelling, err)
		}
	}
	return out.Flush()
}

func dump(ctx context.Context, st frameSource, out *framefile.Writer, dwelling string) error {
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
