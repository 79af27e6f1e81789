package main

import (
	"context"
	"fmt"
	"strings"
	"unicode"

	"github.com/spf13/pflag"
)

type setAsideOptions struct {
	data  storeFlags
	limit int
}

func setAsideCommand() command {
	return command{
		name:    "set-aside",
		summary: "list what was not used, and why",
		about: `
Counts the records that were set aside, by dwelling and reason, and the readings
in conflict with an earlier value, which stays; then lists the newest of each
with what is wrong.`,
		codes: []int{exitInterrupted},
		verb:  &setAsideOptions{},
	}
}

func (o *setAsideOptions) addFlags(flags *pflag.FlagSet) {
	o.data.addFlags(flags)
	flags.IntVar(&o.limit, "newest", 20, "list the newest `N` of each in full")
}

func (o *setAsideOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	if o.limit < 0 {
		return usagef("--newest %d: want 0 or more", o.limit)
	}
	st, err := o.data.records(con)
	if err != nil {
		return err
	}
	defer st.Close()
	nothing, err := writeAsideCounts(ctx, con, st)
	if err != nil {
		return err
	}
	if nothing {
		_, err := fmt.Fprintln(con.out, "nothing was set aside, nothing is in conflict")
		return err
	}
	if o.limit == 0 {
		return nil
	}
	return o.list(ctx, con, st)
}

// writeAsideCounts writes how many there are.
func writeAsideCounts(ctx context.Context, con *console, st recordStore) (nothing bool, err error) {
	counts, err := st.RefusalCounts(ctx)
	if err != nil {
		return false, err
	}
	nodes, err := st.Nodes(ctx)
	if err != nil {
		return false, err
	}
	table := newTextTable("DWELLING", "REASON", ">RECORDS")
	for _, c := range counts {
		dwelling := c.Dwelling
		if dwelling == "" {
			dwelling = "(not known)"
		}
		table.add(printable(dwelling), string(c.Reason), fmt.Sprint(c.N))
	}
	for _, n := range nodes {
		if n.Conflicts > 0 {
			table.add(n.Dwelling, "conflict, node "+n.Node, fmt.Sprint(n.Conflicts))
		}
	}
	if len(table.rows) == 0 {
		return true, nil
	}
	return false, table.write(con.out)
}

// list writes the newest in full.
func (o *setAsideOptions) list(ctx context.Context, con *console, st recordStore) error {
	refusals, err := st.Refusals(ctx, o.limit)
	if err != nil {
		return err
	}
	if len(refusals) > 0 {
		fmt.Fprintln(con.out, "\nnewest records set aside:")
	}
	for _, r := range refusals {
		fmt.Fprintf(con.out, "%s\n    %s\n", printable(r.String()), printable(r.Record))
	}
	conflicts, err := st.Conflicts(ctx, o.limit)
	if err != nil {
		return err
	}
	if len(conflicts) > 0 {
		fmt.Fprintln(con.out, "\nnewest conflicts:")
	}
	for _, c := range conflicts {
		fmt.Fprintf(con.out, "%s/%s/%s at %s: %v kept, %v not taken\n", c.Dwelling, c.Node, c.Channel, c.At, c.Kept, c.Value)
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
