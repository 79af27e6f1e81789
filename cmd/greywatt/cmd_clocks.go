package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/mqttsource"
	"greywatt/plots/wording"
)

type clocksOptions struct {
	data site.DataFlag
	all  bool
	json bool
}

func clocksCommand() cli.Command {
	return cli.Command{
		Name:    "clocks",
		Example: "greywatt clocks --data data --all",
		Summary: "list the nodes whose clocks are wrong",
		About: `
Lists the nodes whose clocks are wrong, as run has judged them from when their
packs arrived: ahead, as soon as three packs bear a time more than a minute after
their arrival; behind, when for three hours even the promptest pack is late by
more than a minute and by the same time; drifting, when over half a day the
difference grows by 5 s a day or more; never set. Packs that come late because
the link was down are no fault.

Stored readings are never moved. For a clock that is ahead or behind the command
says how to make a second data folder in which they are. The page of run and
watch names wrong clocks too; of run --store its page and log alone do.

Nodes whose messages state no time, taken by a recipe with arrival = true, have
no clock to judge: their readings count for the moment at which the logger got
them, and the network's delays are in their times. They are named at the end, and
in dwellings.csv of an export.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &clocksOptions{},
	}
}

func (o *clocksOptions) AddFlags(flags *pflag.FlagSet) {
	o.data.AddFlags(flags)
	flags.BoolVar(&o.all, "all", false, "list the nodes whose clocks are right too")
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of a table")
}

func (o *clocksOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	st, err := o.data.Read()
	if err != nil {
		return err
	}
	defer st.Close()
	clocks, err := logger.ReadClocks(ctx, st)
	if err != nil {
		return err
	}
	arrivals, err := logger.ReadArrivals(ctx, st)
	if err != nil {
		return err
	}
	listed := logger.Judge(clocks)
	if !o.all {
		listed = logger.Wrong(listed)
	}
	if o.json {
		for _, j := range listed {
			if err := cli.WriteJSONLine(con.Out, asClockJSON(j)); err != nil {
				return err
			}
		}
		for _, n := range arrivalNodes(arrivals) {
			if err := cli.WriteJSONLine(con.Out, n); err != nil {
				return err
			}
		}
		return nil
	}
	if err := o.write(con, listed, len(clocks)); err != nil {
		return err
	}
	for _, n := range arrivalNodes(arrivals) {
		fmt.Fprintf(con.Out, "%s/%s: its messages state no time; its readings count for when they came\n", n.Dwelling, n.Node)
	}
	return nil
}

// arrivalJSON is a node without a clock of its own.
type arrivalJSON struct {
	Dwelling string `json:"dwelling"` // its id
	Node     string `json:"node"`     // its name
	Arrival  bool   `json:"arrival"`  // true: readings count for when they came, as the messages state no time
}

func arrivalNodes(of map[string][]string) (all []arrivalJSON) {
	for _, dwelling := range slices.Sorted(maps.Keys(of)) {
		for _, node := range of[dwelling] {
			all = append(all, arrivalJSON{dwelling, node, true})
		}
	}
	return all
}

func lastHour(j logger.JudgedClock) (h mqttsource.ClockHour) {
	if n := len(j.Hours); n > 0 {
		h = j.Hours[n-1]
	}
	return h
}

// clockJSON has its figures in full: a clock may be off by years, and the second
// counts.
type clockJSON struct {
	Dwelling  string   `json:"dwelling"`                // its id
	Node      string   `json:"node"`                    // its name
	Hour      string   `json:"hour"`                    // the last in which packs arrived, RFC 3339
	BehindS   float64  `json:"behind_s"`                // by which the promptest pack of that hour was late; negative: ahead
	Fault     *string  `json:"fault,omitempty"`         // in words; without it the clock is right
	Since     *string  `json:"since,omitempty"`         // first hour that shows it
	OffsetS   *float64 `json:"offset_s,omitempty"`      // what the clock shows less what it should
	DriftSDay *float64 `json:"drift_s_a_day,omitempty"` // that offset_s grows by; left out where not known
}

func asClockJSON(j logger.JudgedClock) clockJSON {
	out := clockJSON{Dwelling: j.Dwelling, Node: j.Node, Hour: hourTime(lastHour(j).Hour), BehindS: lastHour(j).BehindS}
	if f := j.Fault; f != nil {
		figure := func(v float64) *float64 {
			if math.IsNaN(v) {
				return nil
			}
			return &v
		}
		out.Fault, out.Since = cli.KnownText(f.What), cli.KnownInstant(f.Since)
		out.OffsetS, out.DriftSDay = figure(f.OffsetS), figure(f.DriftSDay)
	}
	return out
}

func hourTime(hour int64) string { return time.Unix(hour*3600, 0).UTC().Format("2006-01-02T15:04Z") }

func (o *clocksOptions) write(con *cli.Console, listed []logger.JudgedClock, known int) error {
	switch {
	case known == 0:
		_, err := fmt.Fprintln(con.Out, "nothing is known of the nodes' clocks: run notes when packs arrive, and files say nothing of it")
		return err
	case len(listed) == 0:
		_, err := fmt.Fprintf(con.Out, "no fault in the clocks of %s\n", wording.Count(known, "node"))
		return err
	}
	table := cli.NewTable("DWELLING", "NODE", "LAST HOUR", ">BEHIND S", "THE CLOCK")
	wrong := logger.Wrong(listed)
	for _, j := range listed {
		what := "is right"
		if j.Fault != nil {
			what = j.Fault.What
		}
		table.Add(j.Dwelling, j.Node, hourTime(lastHour(j).Hour), fmt.Sprintf("%.1f", lastHour(j).BehindS), what)
	}
	if err := table.Write(con.Out); err != nil {
		return err
	}
	if logger.SameOffset(wrong, known) {
		fmt.Fprintln(con.Out, "\nAll are off by the same time: is it this machine's clock that is wrong?")
		return nil
	}
	for _, j := range wrong {
		if math.IsNaN(j.Fault.OffsetS) || math.Abs(j.Fault.OffsetS) < 60 {
			continue
		}
		fmt.Fprintf(con.Out, `
Set the clock of %[1]s/%[2]s. What it stamped since %[3]s can be had with its times moved, in a second folder; give each folder a name:
  %[4]s dump --data %[5]s --format senml | %[4]s import --study STUDY --data CORRECTED --format senml --shift %[1]s/%[2]s=%.0[6]f@%[3]s -
`, j.Dwelling, j.Node, stampedSince(j), con.Name, o.data.Dir, -j.Fault.OffsetS)
	}
	return nil
}

// stampedSince returns what the clock showed at the first pack that shows the fault.
func stampedSince(j logger.JudgedClock) string {
	at := j.Fault.Since.Add(j.Fault.OffsetS).Time().Truncate(time.Minute)
	return greywatt.InstantOf(at).String()
}
