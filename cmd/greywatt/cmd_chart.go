package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots"
)

type chartOptions struct {
	site.Flags
	out    string
	width  int
	height int
	clamps bool
	dark   bool
}

func chartCommand() cli.Command {
	return cli.Command{
		Name:     "chart",
		Example:  "greywatt chart larch-04-20260112T073000Z --study study.toml --data data --out shower.png",
		Operands: "EVENT_ID",
		Summary:  "draw one event",
		About: `
Draws the four temperatures and the flow of one event, the steady part shaded,
and its effectiveness beside the expected value. EVENT_ID is as events lists
it. The extension of --out says the format: .svg, .png or .pdf.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &chartOptions{},
	}
}

func (o *chartOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	flags.StringVar(&o.out, "out", "", "the `FILE` to write (default EVENT_ID.svg)")
	flags.IntVar(&o.width, "width", 900, "`PIXELS` across")
	flags.IntVar(&o.height, "height", 600, "`PIXELS` down")
	flags.BoolVar(&o.clamps, "clamps", false, "also draw what the clamps read, before correction")
	flags.BoolVar(&o.dark, "dark", false, "draw on a dark background")
}

func (o *chartOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("name one event, as greywatt events lists it")
	}
	id := args[0]
	if _, _, err := site.SplitEventID(id); err != nil {
		return err
	}
	if o.out == "" {
		o.out = id + ".svg"
	}
	format, err := chartFormat("out", o.out)
	if err != nil {
		return err
	}
	s, err := o.Open(con, nil)
	if err != nil {
		return err
	}
	defer s.Close()
	event, trace, err := site.TraceEvent(ctx, con, s.Readings, s.Study, id)
	if err != nil {
		return err
	}
	err = staging.WriteFile(o.out, func(w io.Writer) error {
		return plots.Write(w, plots.Output{Format: format, Width: o.width, Height: o.height, Dark: o.dark},
			plots.EventChart{Event: event, Trace: trace, Location: s.Study.Timezone, Clamps: o.clamps})
	})
	if err != nil {
		return fmt.Errorf("chart: %w", err)
	}
	_, err = fmt.Fprintln(con.Out, o.out)
	return err
}

// chartFormat returns the format of the file that a flag names.
func chartFormat(flag, file string) (plots.Format, error) {
	f, err := plots.FormatOf(file)
	if err != nil {
		return "", cli.Usagef("--%s %w", flag, err)
	}
	return f, nil
}
