package main

import (
	"context"
	"fmt"
	"strings"
	"unicode"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
)

type setAsideOptions struct {
	data  site.StoreFlags
	limit int
}

func setAsideCommand() cli.Command {
	return cli.Command{
		Name:    "set-aside",
		Summary: "list what was not used, and why",
		About: `
Counts the records that were set aside, by dwelling and reason, and the readings
in conflict with an earlier value, which stays; then lists the newest of each
with what is wrong.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &setAsideOptions{},
	}
}

func (o *setAsideOptions) AddFlags(flags *pflag.FlagSet) {
	o.data.AddFlags(flags)
	flags.IntVar(&o.limit, "newest", 20, "list the newest `N` of each in full")
}

func (o *setAsideOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	if o.limit < 0 {
		return cli.Usagef("--newest %d: want 0 or more", o.limit)
	}
	st, err := o.data.Records(con)
	if err != nil {
		return err
	}
	defer st.Close()
	nothing, err := writeAsideCounts(ctx, con, st)
	if err != nil {
		return err
	}
	if nothing {
		_, err := fmt.Fprintln(con.Out, "nothing was set aside, nothing is in conflict")
		return err
	}
	if o.limit == 0 {
		return nil
	}
	return o.list(ctx, con, st)
}

// writeAsideCounts writes how many there are.
func writeAsideCounts(ctx context.Context, con *cli.Console, st site.RecordStore) (nothing bool, err error) {
	counts, err := st.RefusalCounts(ctx)
	if err != nil {
		return false, err
	}
	nodes, err := st.Nodes(ctx)
	if err != nil {
		return false, err
	}
	table := cli.NewTable("DWELLING", "REASON", ">RECORDS")
	for _, c := range counts {
		dwelling := c.Dwelling
		if dwelling == "" {
			dwelling = "(not known)"
		}
		table.Add(printable(dwelling), string(c.Reason), fmt.Sprint(c.N))
	}
	for _, n := range nodes {
		if n.Conflicts > 0 {
			table.Add(n.Dwelling, "conflict, node "+n.Node, fmt.Sprint(n.Conflicts))
		}
	}
	if len(table.Rows) == 0 {
		return true, nil
	}
	return false, table.Write(con.Out)
}

// list writes the newest in full.
func (o *setAsideOptions) list(ctx context.Context, con *cli.Console, st site.RecordStore) error {
	refusals, err := st.Refusals(ctx, o.limit)
	if err != nil {
		return err
	}
	if len(refusals) > 0 {
		fmt.Fprintln(con.Out, "\nnewest records set aside:")
	}
	for _, r := range refusals {
		fmt.Fprintf(con.Out, "%s\n    %s\n", printable(r.String()), printable(r.Record))
	}
	conflicts, err := st.Conflicts(ctx, o.limit)
	if err != nil {
		return err
	}
	if len(conflicts) > 0 {
		fmt.Fprintln(con.Out, "\nnewest conflicts:")
	}
	for _, c := range conflicts {
		fmt.Fprintf(con.Out, "%s/%s/%s at %s: %v kept, %v not taken\n", c.Dwelling, c.Node, c.Channel, c.At, c.Kept, c.Value)
	}
	return nil
}

// printable replaces what a terminal might obey, or shows as nothing: what was
// set aside is a stranger's text.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return unicode.ReplacementChar
	}, text)
}
