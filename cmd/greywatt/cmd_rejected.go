package main

import (
	"context"
	"fmt"
	"strings"
	"unicode"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest"
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

type rejectedOptions struct {
	data  site.StoreFlags
	limit int
	json  bool
}

func rejectedCommand() cli.Command {
	return cli.Command{
		Name:     "rejected",
		Example:  "greywatt rejected --data data --newest 5",
		Formerly: []string{"set-aside"},
		Summary:  "list the rejected records, and why",
		About: `
Counts the rejected records, by dwelling and reason, and the readings in conflict
with an earlier value, which stays; then lists the newest of each with what is
wrong. What run keeps whole of them comes back by readmit. Where nodes number their
packs (see firmware-notes), it names those that have not come.

With --json each count, record and conflict is an object on a line of its own.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &rejectedOptions{},
	}
}

func (o *rejectedOptions) AddFlags(flags *pflag.FlagSet) {
	o.data.AddFlags(flags)
	flags.IntVar(&o.limit, "newest", 20, "list the newest `N` of each in full")
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of text")
}

func (o *rejectedOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
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
	if o.json {
		return o.writeJSON(ctx, con, st)
	}
	nothing, err := writeRejectedCounts(ctx, con, st)
	if err != nil {
		return err
	}
	whole, err := writeQuarantined(ctx, con, st)
	if err != nil {
		return err
	}
	gaps, err := writeMissingPacks(ctx, con, st)
	if err != nil || nothing && (whole || gaps) {
		return err
	}
	if nothing {
		_, err := fmt.Fprintln(con.Out, "nothing was rejected, nothing is in conflict")
		return err
	}
	if o.limit == 0 {
		return nil
	}
	return o.list(ctx, con, st)
}

// writeRejectedCounts writes how many there are.
func writeRejectedCounts(ctx context.Context, con *cli.Console, st site.RecordStore) (nothing bool, err error) {
	counts, err := st.RejectedCounts(ctx)
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

// writeQuarantined says how many messages are kept whole, where any are.
func writeQuarantined(ctx context.Context, con *cli.Console, st site.RecordStore) (any bool, err error) {
	q, ok := st.(interface {
		QuarantineCounts(ctx context.Context) ([]ingest.QuarantineCount, error)
	})
	if !ok {
		return false, nil
	}
	counts, err := q.QuarantineCounts(ctx)
	if err != nil || len(counts) == 0 {
		return false, err
	}
	var messages, records int64
	for _, n := range counts {
		messages += n.Messages
		records += n.Records
	}
	_, err = fmt.Fprintf(con.Out, "\n%s with %s of these kept whole: greywatt readmit --list says which, and what would have them stored\n",
		wording.Count(int(messages), "message"), wording.Count(int(records), "record"))
	return true, err
}

// writeMissingPacks says which packs that nodes have numbered have not come.
func writeMissingPacks(ctx context.Context, con *cli.Console, from site.RecordStore) (any bool, err error) {
	st, ok := from.(*store.Store)
	if !ok {
		return false, nil
	}
	all, err := logger.ReadPacks(ctx, st)
	if err != nil {
		return false, err
	}
	for _, p := range all {
		if n := p.Missing(); n > 0 {
			any = true
			fmt.Fprintf(con.Out, "%s/%s: %s not come, late or lost on the way: %s\n", printable(p.Dwelling), printable(p.Node), wording.Count(int(n), "pack"), p)
		}
	}
	return any, nil
}

// list writes the newest in full.
func (o *rejectedOptions) list(ctx context.Context, con *cli.Console, st site.RecordStore) error {
	refusals, err := st.Rejected(ctx, o.limit)
	if err != nil {
		return err
	}
	if len(refusals) > 0 {
		fmt.Fprintln(con.Out, "\nnewest rejected records:")
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

// printable replaces what a terminal might obey, or shows as nothing: a
// rejected record is a stranger's text.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return unicode.ReplacementChar
	}, text)
}

type rejectedCountJSON struct {
	Dwelling *string `json:"dwelling"` // its id; null: the records named none
	Node     *string `json:"node"`     // of a conflict; null otherwise
	Reason   string  `json:"reason"`   // see [reasons](#reasons-for-which-a-record-is-rejected); `conflict` for readings whose instant has an earlier value
	Records  int64   `json:"records"`  // of them
}

type rejectedRecordJSON struct {
	Source   string  `json:"source"`   // topic, or FILE:LINE
	Dwelling *string `json:"dwelling"` // its id; null: the record names none
	Reason   string  `json:"reason"`   // as in the counts
	Detail   string  `json:"detail"`   // what was found and what is wanted
	Record   string  `json:"record"`   // as it came, cut to a bounded length
	At       *string `json:"at"`       // when it came; null for files
}

type conflictJSON struct {
	Dwelling string    `json:"dwelling"`  // its id
	Node     string    `json:"node"`      // its name
	Channel  string    `json:"channel"`   // of both readings
	At       string    `json:"at"`        // their instant
	Kept     cli.Known `json:"kept"`      // the value that came first, and counts
	NotTaken cli.Known `json:"not_taken"` // the value that came later
}

func (o *rejectedOptions) writeJSON(ctx context.Context, con *cli.Console, st site.RecordStore) error {
	counts, err := st.RejectedCounts(ctx)
	if err != nil {
		return err
	}
	nodes, err := st.Nodes(ctx)
	if err != nil {
		return err
	}
	refusals, err := st.Rejected(ctx, o.limit)
	if err != nil {
		return err
	}
	conflicts, err := st.Conflicts(ctx, o.limit)
	if err != nil {
		return err
	}
	var lines []any
	for _, c := range counts {
		lines = append(lines, rejectedCountJSON{cli.KnownText(c.Dwelling), nil, string(c.Reason), c.N})
	}
	for _, n := range nodes {
		if n.Conflicts > 0 {
			lines = append(lines, rejectedCountJSON{cli.KnownText(n.Dwelling), cli.KnownText(n.Node), "conflict", n.Conflicts})
		}
	}
	for _, r := range refusals {
		lines = append(lines, rejectedRecordJSON{r.Source, cli.KnownText(r.Dwelling), string(r.Reason), r.Detail, r.Record, cli.KnownInstant(r.At)})
	}
	for _, c := range conflicts {
		lines = append(lines, conflictJSON{c.Dwelling, c.Node, c.Channel.String(), c.At.String(), cli.Known(c.Kept), cli.Known(c.Value)})
	}
	for _, line := range lines {
		if err := cli.WriteJSONLine(con.Out, line); err != nil {
			return err
		}
	}
	return nil
}
