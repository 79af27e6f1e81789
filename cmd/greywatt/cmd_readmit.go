package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe/message"
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

type readmitOptions struct {
	study    site.StudyFlag
	data     site.DataFlag
	prefix   string
	list     bool
	json     bool
	ownClock bool
	shifts   []string
	units    []string
	discard  []string
}

func readmitCommand() cli.Command {
	return cli.Command{
		Name:    "readmit",
		Example: "greywatt readmit --study study.toml --data data",
		Summary: "store rejected messages, once study, unit or clock is corrected",
		About: `
What run acknowledges it keeps. A message with records that cannot be stored but
may be once something is mended goes whole into the quarantine of the data folder:
of a dwelling that the study lacks, of a sensor whose name it does not state (where
the message has nothing else), with a wrong unit, with a time more than a day ahead
or before 2000. This command stores of it what now can be; the rest stays, and is
listed: by node and reason, with what would mend it.

Add the dwelling, or the name of the sensor, to the study file: run takes such
messages up by itself then, and this command does. The rest is for you to say:
    --own-clock             this machine's clock was behind; the nodes' was right
    --shift larch-04/n1=-108000     that node's clock was 30 h ahead
    --unit larch-04/n1/flow=l/s     that node's flows are in l/s, whatever they say
Only times that were rejected are moved, and only units that were. What comes twice
counts once, so an interrupted readmit is simply repeated.

--discard drops what is kept of a node, or of a dwelling, for good. erase
reaches the quarantine too, backup carries it. Stop the logger first; --list
works beside it.`,
		Codes: []int{cli.ExitRejected, cli.ExitInterrupted},
		Verb:  &readmitOptions{},
	}
}

func (o *readmitOptions) AddFlags(flags *pflag.FlagSet) {
	o.study.AddFlags(flags)
	o.data.AddFlags(flags)
	flags.StringVar(&o.prefix, "prefix", payload.DefaultPrefix, "first `LEVEL` of the topics, as run had it")
	flags.BoolVar(&o.list, "list", false, "only list what is kept, and why")
	flags.BoolVar(&o.json, "json", false, "list it as JSON lines")
	flags.BoolVar(&o.ownClock, "own-clock", false, "times ahead are right: this machine's clock was behind")
	flags.StringArrayVar(&o.shifts, "shift", nil, "move rejected times of a node, as in `DWELLING/NODE=SECONDS`; may be repeated")
	flags.StringArrayVar(&o.units, "unit", nil, "the unit of records without a right one, as in `DWELLING/NODE/CHANNEL=UNIT`; may be repeated")
	flags.StringArrayVar(&o.discard, "discard", nil, "drop for good what is kept of `DWELLING[/NODE]`; may be repeated")
}

func (o *readmitOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	if o.list {
		st, err := o.data.Read()
		if err != nil {
			return err
		}
		defer st.Close()
		_, err = o.write(ctx, con, st)
		return err
	}
	if len(o.discard) > 0 {
		return o.drop(ctx, con)
	}
	r, err := o.readmitter()
	if err != nil {
		return err
	}
	st, err := o.data.Write()
	if err != nil {
		return err
	}
	defer st.Close()
	sum, err := r.Run(ctx, st)
	if err != nil {
		return err
	}
	if !o.json {
		fmt.Fprintf(con.Out, "%s taken up: %s new, %d already there", wording.Count(sum.Settled, "message"), wording.Count(sum.New, "reading"), sum.Duplicate)
		if sum.Conflict > 0 {
			fmt.Fprintf(con.Out, ", %d in conflict with an earlier value", sum.Conflict)
		}
		fmt.Fprintln(con.Out)
	}
	left, err := o.write(ctx, con, st)
	if err == nil && left {
		return cli.ErrRejected
	}
	return err
}

// readmitter says what is to be taken for mended.
func (o *readmitOptions) readmitter() (*mqttsource.Readmitter, error) {
	if err := payload.CheckPrefix(o.prefix); err != nil {
		return nil, cli.Usagef("--prefix: %w", err)
	}
	shifts, err := parseShifts(o.shifts)
	if err != nil {
		return nil, err
	}
	units, err := parseUnits(o.units)
	if err != nil {
		return nil, err
	}
	study, err := o.study.Read()
	if err != nil {
		return nil, err
	}
	recipes, err := o.study.Recipes()
	if err != nil {
		return nil, err
	}
	r := &mqttsource.Readmitter{Prefix: o.prefix, Resolver: payload.NewResolver(study)}
	others, err := message.NewDecoder(recipes, r.Resolver)
	if err != nil {
		return nil, err
	}
	if others != nil {
		r.Foreign = others
	}
	if o.ownClock {
		r.OwnClock = greywatt.InstantOf(time.Now())
	}
	if len(shifts) > 0 {
		r.Shift = func(dwelling, node string, seconds float64) float64 {
			for _, s := range shifts {
				if s.dwelling == dwelling && s.node == node && greywatt.InstantOfUnix(seconds) >= s.from {
					seconds += s.seconds
				}
			}
			return seconds
		}
	}
	if len(units) > 0 {
		r.Units = func(dwelling, node string, c greywatt.Channel) string { return units[place{dwelling, node, c}] }
	}
	return r, nil
}

type place struct {
	dwelling, node string
	channel        greywatt.Channel
}

// parseUnits reads DWELLING/NODE/CHANNEL=UNIT.
func parseUnits(texts []string) (map[place]string, error) {
	units := map[place]string{}
	for _, text := range texts {
		name, unit, ok := strings.Cut(text, "=")
		parts := strings.Split(name, "/")
		if !ok || len(parts) != 3 {
			return nil, cli.Usagef("--unit %q: want DWELLING/NODE/CHANNEL=UNIT", text)
		}
		c, ok := greywatt.ParseChannel(parts[2])
		if !ok {
			return nil, cli.Usagef("--unit %q: no channel is called %q", text, parts[2])
		}
		want := []string{"Cel", "K"}
		if c.IsFlow() {
			want = []string{"l/s", "m3/s"}
		}
		if !slices.Contains(want, unit) {
			return nil, cli.Usagef("--unit %q: %s is in %s", text, parts[2], strings.Join(want, " or "))
		}
		units[place{parts[0], parts[1], c}] = unit
	}
	return units, nil
}

// drop discards what is named.
func (o *readmitOptions) drop(ctx context.Context, con *cli.Console) error {
	st, err := o.data.Write()
	if err != nil {
		return err
	}
	defer st.Close()
	dropped, after := 0, int64(0)
	for {
		const messages, bytes = 1000, 16 << 20
		ms, err := st.Quarantined(ctx, after, messages, bytes)
		if err != nil {
			return err
		}
		if len(ms) == 0 {
			break
		}
		after = ms[len(ms)-1].ID
		var ids []int64
		for _, m := range ms {
			if slices.Contains(o.discard, m.Dwelling) || slices.Contains(o.discard, m.Dwelling+"/"+m.Node) {
				ids = append(ids, m.ID)
			}
		}
		if err := st.SettleQuarantined(ctx, ids, nil); err != nil {
			return err
		}
		dropped += len(ids)
	}
	if dropped == 0 {
		return cli.Usagef("nothing of %s is kept in %s; --list says what is", strings.Join(o.discard, ", "), o.data.Dir)
	}
	_, err = fmt.Fprintf(con.Out, "%s dropped for good\n", wording.Count(dropped, "message"))
	return err
}

type quarantineJSON struct {
	Dwelling *string `json:"dwelling"` // its id; null: not known
	Node     *string `json:"node"`     // its name; null: not known
	Reason   string  `json:"reason"`   // see [reasons](#reasons-for-which-a-record-is-rejected)
	Messages int64   `json:"messages"` // kept whole
	Records  int64   `json:"records"`  // in them that cannot be stored
	Bytes    int64   `json:"bytes"`    // that they take of the quota
	First    *string `json:"first"`    // arrival of the first, by this machine's clock
	Last     *string `json:"last"`     // of the last
}

// write lists what is kept and reports whether anything is.
func (o *readmitOptions) write(ctx context.Context, con *cli.Console, st *store.Store) (any bool, err error) {
	counts, err := st.QuarantineCounts(ctx)
	if err != nil {
		return false, err
	}
	if o.json {
		for _, n := range counts {
			line := quarantineJSON{cli.KnownText(n.Dwelling), cli.KnownText(n.Node), string(n.Reason), n.Messages, n.Records, n.Bytes, cli.KnownInstant(n.First), cli.KnownInstant(n.Last)}
			if err := cli.WriteJSONLine(con.Out, line); err != nil {
				return false, err
			}
		}
		return len(counts) > 0, nil
	}
	if len(counts) == 0 {
		_, err := fmt.Fprintln(con.Out, "nothing is in the quarantine")
		return false, err
	}
	table := cli.NewTable("DWELLING", "NODE", "REASON", ">MESSAGES", ">RECORDS", ">BYTES", "CAME")
	reasons := map[ingest.Reason]bool{}
	for _, n := range counts {
		reasons[n.Reason] = true
		came := n.First.Time().UTC().Format(time.DateOnly) + " to " + n.Last.Time().UTC().Format(time.DateOnly)
		table.Add(printable(cmp.Or(n.Dwelling, "(not known)")), printable(n.Node), string(n.Reason), fmt.Sprint(n.Messages), fmt.Sprint(n.Records), fmt.Sprint(n.Bytes), came)
	}
	if err := table.Write(con.Out); err != nil {
		return true, err
	}
	fmt.Fprintln(con.Out)
	for _, m := range mending {
		if reasons[m.reason] {
			fmt.Fprintf(con.Out, "%s: %s\n", m.reason, m.how)
		}
	}
	return true, nil
}

// mending says what would have a message stored.
var mending = []struct {
	reason ingest.Reason
	how    string
}{
	{ingest.UnknownDwelling, "add the dwelling to the study file, then readmit"},
	{ingest.UnknownChannel, "state the sensor's name in the study file, then readmit"},
	{ingest.FutureTime, "readmit --own-clock where this machine's clock was behind, --shift where the node's was ahead"},
	{ingest.BadTime, "readmit --shift, by what the node's clock lacked"},
	{ingest.BadUnit, "readmit --unit, where you know the unit"},
}
