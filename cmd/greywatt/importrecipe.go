package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/intake"
	"greywatt/ingest"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/table"
	"greywatt/plots/wording"
)

func (o *importOptions) tableOptions(s *greywatt.Study, r *recipe.Recipe, now time.Time, bar *progressbar.ProgressBar) table.Options {
	return table.Options{
		Recipe: r, Known: payload.NewResolver(s), Dwelling: o.dwelling, Node: o.node,
		Now: greywatt.InstantOf(now), Progress: func(n int) { bar.Add(n) },
	}
}

// openRefused opens the file for all rejected records, where it is wanted.
func (o *importOptions) openRefused(con *cli.Console) (r *intake.Refusals, done func(), err error) {
	if o.refused == "" {
		r, err = intake.NewRefusals(con.Err, nil)
		return r, func() {}, err
	}
	f, err := os.Create(o.refused)
	if err != nil {
		return nil, nil, fmt.Errorf("--refused: %w", err)
	}
	r, err = intake.NewRefusals(con.Err, f)
	return r, func() { f.Close() }, err
}

// importByRecipe goes on with the next file where one cannot be read at all.
func (i *importer) importByRecipe(ctx context.Context, args []string, o table.Options) error {
	var failed []error
	err := table.ReadAll(ctx, args, i.con.In, o, i.take, func(ctx context.Context, _ string, left *table.Report, err error) error {
		i.leftOut.Add(left)
		if err = errors.Join(err, i.endFile(ctx)); err != nil {
			failed = append(failed, err)
		}
		return nil
	})
	return errors.Join(append(failed, err)...)
}

func readByRecipe(ctx context.Context, con *cli.Console, file string, o table.Options, take table.Handler) (*table.Report, error) {
	if file == "-" {
		return table.ReadStream(ctx, file, con.In, o, take)
	}
	return table.Read(ctx, file, o, take)
}

// maxChannelRows bounds the rows of the summary by channel; those that look
// wrong come first where there are more.
const maxChannelRows = 60

// showChannels says what each channel looks like.
func (i *importer) showChannels(study, data string) {
	all := i.channels.Summary()
	if len(all) == 0 {
		return
	}
	if len(all) > maxChannelRows {
		slices.SortStableFunc(all, func(a, b intake.ChannelSummary) int { return cmp.Compare(len(b.Suspicious), len(a.Suspicious)) })
	}
	t := cli.NewTable("DWELLING", "NODE", "CHANNEL", ">READINGS", ">SPAN", ">EVERY S", ">AT REST", ">IN DRAWS", ">LOWEST", ">HIGHEST", "SUSPICIOUS")
	for _, c := range all[:min(len(all), maxChannelRows)] {
		scale := 1.0
		if c.Channel.IsFlow() {
			scale = 60
		}
		t.Add(c.Dwelling, c.Node, c.Channel.String(), strconv.Itoa(c.Readings), c.Span(), every(c.IntervalS), shareOf(c.AtRest), shareOf(c.InDraws),
			tenths(c.Lowest*scale), tenths(c.Highest*scale), strings.Join(c.Suspicious, "; "))
	}
	fmt.Fprintln(i.con.Out)
	t.Write(i.con.Out)
	if n := len(all) - maxChannelRows; n > 0 {
		fmt.Fprintf(i.con.Out, "and %s\n", wording.Count(n, "more channel"))
	}
	showLeftOut(i.con, &i.leftOut)
	fmt.Fprintf(i.con.Out, "Temperatures in °C, flows in l/min. Next: %s events --study %s --data %s\n", i.con.Name, study, data)
}

func every(s float64) string {
	if math.IsNaN(s) {
		return ""
	}
	return strconv.FormatFloat(s, 'g', 2, 64)
}

func shareOf(share float64) string { return fmt.Sprintf("%.0f %%", 100*share) }

func tenths(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// showLeftOut names what the recipe does not use.
func showLeftOut(con *cli.Console, r *table.Report) {
	if len(r.Columns) > 0 {
		fmt.Fprintf(con.Out, "columns not in the recipe: %s\n", printable(strings.Join(r.Columns, ", ")))
	}
	for _, name := range r.SensorNames() {
		fmt.Fprintf(con.Out, "not in the recipe: %s, %s\n", printable(name), wording.Count(int(r.Sensors[name]), "row"))
	}
}

const (
	previewRows  = 10_000 // rows of a file that are looked at
	previewShown = 12     // rows that are shown
)

// showPreview shows what would be stored, and writes nothing.
func (o *importOptions) showPreview(ctx context.Context, con *cli.Console, s *greywatt.Study, r *recipe.Recipe, shifts []shift, args []string) error {
	refused, closeRefused, err := o.openRefused(con)
	if err != nil {
		return err
	}
	defer closeRefused()
	now := time.Now()
	options := o.tableOptions(s, r, now, con.Progress(-1, ""))
	options.MaxRows = previewRows
	p := &preview{zone: s.Location(), channels: intake.NewChannels()}
	out := bufio.NewWriter(con.Out)
	defer out.Flush()
	var left table.Report
	for _, file := range args {
		one, err := readByRecipe(ctx, con, file, options, func(_ context.Context, rs []greywatt.Reading, rejected []ingest.RejectedRecord) error {
			moveTimes(shifts, rs)
			p.take(rs)
			_, err := refused.Take(rejected)
			return err
		})
		if err != nil {
			return err
		}
		left.Add(one)
	}
	p.flush()
	if err := p.table.Write(out); err != nil {
		return err
	}
	out.Flush()
	fmt.Fprintf(con.Out, "%s of %s would be stored (the first %d of each file looked at), %s rejected; nothing was written\n",
		wording.Count(p.readings, "reading"), wording.Count(int(left.Rows), "row"), previewRows, wording.Count(refused.N, "record"))
	showLeftOut(con, &left)
	for _, c := range p.channels.Summary() {
		for _, why := range c.Suspicious {
			fmt.Fprintf(con.Out, "suspicious: %s/%s/%s: %s\n", c.Dwelling, c.Node, c.Channel, why)
		}
	}
	return refused.Summarise()
}

// A preview is the first rows as they would be stored.
type preview struct {
	zone     *time.Location
	readings int
	table    *cli.Table
	channels *intake.Channels
	open     []greywatt.Reading
}

func (p *preview) take(rs []greywatt.Reading) {
	p.channels.Take(rs)
	if p.table == nil {
		headings := []string{"AT", "DWELLING", "NODE"}
		for c := range greywatt.Channel(greywatt.NumChannels) {
			unit := " °C"
			if c.IsFlow() {
				unit = " l/min"
			}
			headings = append(headings, ">"+strings.ToUpper(c.String())+unit)
		}
		p.table = cli.NewTable(headings...)
	}
	for _, r := range rs {
		p.readings++
		if len(p.table.Rows) >= previewShown {
			continue
		}
		if len(p.open) > 0 && (p.open[0].At != r.At || p.open[0].Dwelling != r.Dwelling || p.open[0].Node != r.Node) {
			p.flush()
		}
		p.open = append(p.open, r)
	}
}

// flush adds the row of the instant at hand.
func (p *preview) flush() {
	if p.table == nil {
		p.table = cli.NewTable("AT", "DWELLING", "NODE")
	}
	if len(p.open) == 0 || len(p.table.Rows) >= previewShown {
		return
	}
	first := p.open[0]
	row := make([]string, 3+greywatt.NumChannels)
	row[0], row[1], row[2] = first.At.Time().In(p.zone).Format("2006-01-02 15:04:05.999 -07:00"), first.Dwelling, first.Node
	for _, r := range p.open {
		v := r.Value
		if r.Channel.IsFlow() {
			v *= 60
		}
		row[3+r.Channel] = strconv.FormatFloat(v, 'f', 2, 64)
	}
	p.table.Add(row...)
	p.open = p.open[:0]
}
