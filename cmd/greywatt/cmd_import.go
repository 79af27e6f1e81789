package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/intake"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest"
	"greywatt/ingest/files"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/table"
	"greywatt/plots/wording"
)

type importOptions struct {
	study    site.StudyFlag
	data     site.StoreFlags
	format   string
	dwelling string
	node     string
	shift    []string
	recipe   string
	preview  bool
	refused  string
	json     bool
}

func importCommand() cli.Command {
	return cli.Command{
		Name:     "import",
		Example:  "greywatt import --study study.toml --data data readings.senml",
		Basic:    true,
		Operands: "FILE...",
		Summary:  "take in readings from files",
		About: `
Takes in files of SenML packs, one a line (.senml, .ndjson), and wide tables
(.csv) with a column time (RFC 3339, or Unix seconds) and any of waste_in_c,
waste_out_c, cold_in_c, preheat_out_c, flow_l_min, ambient_c, waste_flow_l_min;
gzipped too (.gz). "-" is standard input. A table without the columns dwelling
and node needs --dwelling.

--recipe takes in files of other loggers: text of any dialect, JSON, workbooks,
Parquet, zipped or not, as the recipe says; recipe proposes one, and help
recipe-file lists the keys. After it each channel is described, and what looks
suspicious. --preview shows the first rows as they would be stored and what
would be rejected, and writes nothing.

What cannot be used is reported as FILE:LINE: reason and rejected; the rest is
taken. Of each kind the first five are reported, and all are counted; --refused
writes all of them to a file. Importing a file again changes nothing.

--shift moves the times of what a node stamped with a wrong clock, from TIME on
where one is given: larch-04/n1=-3600@2026-03-29T01:00:00Z takes an hour off.
Take them into a data folder of their own: where the unmoved readings are, both
would count. clocks says which nodes' clocks are wrong, and by how much.

With --json the counts are one object, in which --recipe puts what it says of
each channel; rejected lists the records.`,
		Codes: []int{cli.ExitRejected, cli.ExitInterrupted},
		Verb:  &importOptions{},
	}
}

func (o *importOptions) AddFlags(flags *pflag.FlagSet) {
	o.study.AddFlags(flags)
	o.data.AddFlags(flags)
	flags.StringVar(&o.dwelling, "dwelling", "", "the dwelling `ID` of a table without that column")
	flags.StringVar(&o.node, "node", files.DefaultNode, "the node `ID` of a table without that column")
	flags.StringVar(&o.format, "format", "", "`FORMAT` of the files, senml or csv (default by their extension)")
	cli.Choices(flags, "format", files.SenML, files.CSV)
	flags.StringSliceVar(&o.shift, "shift", nil, "move a node's times by a `SHIFT`, DWELLING/NODE=SECONDS[@TIME]; may be repeated")
	flags.StringVar(&o.recipe, "recipe", "", "the `FILE` with the recipe for files of other loggers")
	flags.BoolVar(&o.preview, "preview", false, "with --recipe, show what would be stored and store nothing")
	flags.StringVar(&o.refused, "refused", "", "write all rejected records as CSV to `FILE`")
	flags.BoolVar(&o.json, "json", false, "write the counts as JSON")
}

func (o *importOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if len(args) == 0 {
		return cli.Usagef("name the files to import")
	}
	study, err := o.study.Read()
	if err != nil {
		return err
	}
	total, err := o.check(study, args)
	if err != nil {
		return err
	}
	shifts, err := parseShifts(o.shift)
	if err != nil {
		return err
	}
	var made *recipe.Recipe
	if o.recipe != "" {
		if made, err = site.ReadRecipe(o.recipe); err != nil {
			return err
		}
	}
	if o.preview {
		return o.showPreview(ctx, con, study, made, shifts, args)
	}
	refused, closeRefused, err := o.openRefused(con)
	if err != nil {
		return err
	}
	defer closeRefused()
	st, err := o.data.Write(con)
	if err != nil {
		return err
	}
	defer st.Close()

	began := time.Now()
	i := importer{con: con, store: st, shifts: shifts, refused: refused, keepAll: o.data.OnServer(), bar: con.Progress(total, "imported", progressbar.OptionShowBytes(true))}
	if made != nil {
		i.channels = intake.NewChannels()
		err = i.importByRecipe(ctx, args, o.tableOptions(study, made, began, i.bar))
	} else {
		err = i.importAll(ctx, args, o.fileOptions(study, began, i.bar))
	}
	i.bar.Finish()
	if ctx.Err() != nil {
		if n := i.readings(); n > 0 {
			fmt.Fprintf(con.Err, "%s of these files are stored, %d of them new; import the files again, and those count once\n", wording.Count(n, "reading"), i.counts.New)
		}
		return ctx.Err()
	}
	if errors.Is(err, files.ErrNoDwelling) {
		err = cli.Usage(err)
	}
	if sealErr := site.Seal(ctx, st, began.Add(-logger.SealAfter)); sealErr != nil {
		err = errors.Join(err, fmt.Errorf("pack what was imported: %w", sealErr))
	}
	if o.json {
		if written := i.writeJSON(time.Since(began)); written != nil {
			return written
		}
	} else {
		i.summarise(time.Since(began))
		if i.channels != nil {
			i.showChannels(o.study.File, o.data.Name())
		}
	}
	if told := i.refused.Summarise(); told != nil {
		err = errors.Join(err, fmt.Errorf("--refused: %w", told))
	}
	if err != nil {
		return err
	}
	if i.rejected() > 0 {
		return cli.ErrRejected
	}
	return nil
}

// check looks at all that can be wrong before anything is taken, and returns
// the files' size, -1 where it is not known.
func (o *importOptions) check(s *greywatt.Study, args []string) (total int64, err error) {
	if o.dwelling != "" {
		if _, ok := s.Dwelling(o.dwelling); !ok {
			return 0, site.NoDwelling(s, o.dwelling)
		}
	}
	if err := payload.CheckID(o.node); err != nil {
		return 0, cli.Usagef("--node: %w", err)
	}
	format, err := files.ParseFormat(o.format)
	switch {
	case err != nil:
		return 0, cli.Usagef("--format: %w", err)
	case o.recipe != "" && o.format != "":
		return 0, cli.Usagef("--format %s: the recipe states the format", o.format)
	case o.preview && o.json:
		return 0, cli.Usagef("--preview shows a table; leave out --json")
	case o.recipe == "" && o.preview:
		return 0, cli.Usagef("--preview wants --recipe FILE")
	}
	for _, file := range args {
		if file == "-" {
			total = -1
			continue
		}
		info, err := os.Stat(file)
		if err != nil {
			return 0, err
		}
		if info.IsDir() {
			return 0, cli.Usagef("%s is a folder; name the files in it", file)
		}
		if total >= 0 {
			total += info.Size()
		}
		if format == files.ByName && o.recipe == "" {
			if _, err := files.FormatOf(file); err != nil {
				return 0, cli.Usage(err)
			}
		}
	}
	return total, nil
}

func (o *importOptions) fileOptions(s *greywatt.Study, now time.Time, bar *progressbar.ProgressBar) files.Options {
	return files.Options{
		Format: files.Format(o.format), Resolver: payload.NewResolver(s),
		Dwelling: o.dwelling, Node: o.node, Now: greywatt.InstantOf(now),
		Progress: func(n int) { bar.Add(n) },
	}
}

// An importer stores what files hold and counts it.
type importer struct {
	con      *cli.Console
	store    site.ReadingSink
	bar      *progressbar.ProgressBar
	shifts   []shift
	counts   ingest.Counts
	refused  *intake.Refusals
	keepAll  bool             // store every rejected record: the store counts what it has
	channels *intake.Channels // nil: not wanted
	leftOut  table.Report
}

// rejected returns how many records became no reading.
func (i *importer) rejected() int { return i.refused.N + i.counts.Rejected }

// readings returns how many readings have been stored or were there.
func (i *importer) readings() int { return i.counts.New + i.counts.Duplicate + i.counts.Conflict }

// importAll goes on with the next file where one cannot be read at all.
func (i *importer) importAll(ctx context.Context, args []string, o files.Options) error {
	open := func(name string) (io.ReadCloser, error) {
		if name == "-" {
			return io.NopCloser(i.con.In), nil
		}
		return files.Open(name)
	}
	var failed []error
	err := files.ReadAll(ctx, args, open, o, i.take, func(ctx context.Context, _ string, err error) error {
		if err = errors.Join(err, i.endFile(ctx)); err != nil {
			failed = append(failed, err)
		}
		return nil
	})
	return errors.Join(append(failed, err)...)
}

// endFile stores what stands for the rejected records not stored one by one.
func (i *importer) endFile(ctx context.Context) error {
	stand := i.refused.EndFile()
	if i.keepAll {
		return nil
	}
	return i.store.AppendRejected(ctx, stand)
}

// take stores a part of a file.
func (i *importer) take(ctx context.Context, readings []greywatt.Reading, refused []ingest.RejectedRecord) error {
	moveTimes(i.shifts, readings)
	noted := make(chan struct{})
	go func() { // neither changes the readings
		defer close(noted)
		if i.channels != nil {
			i.channels.Take(readings)
		}
	}()
	counts, err := i.store.Append(ctx, readings)
	<-noted
	if err != nil {
		return err
	}
	i.counts.Add(counts)
	if len(refused) == 0 {
		return nil
	}
	i.bar.Clear()
	keep, err := i.refused.Take(refused)
	if err != nil {
		return fmt.Errorf("--refused: %w", err)
	}
	if i.keepAll {
		keep = refused
	}
	return i.store.AppendRejected(ctx, keep)
}

func (i *importer) summarise(took time.Duration) {
	fmt.Fprintf(i.con.Out, "%d readings in %.1f s: %d new, %d already there", i.readings(), took.Seconds(), i.counts.New, i.counts.Duplicate)
	if i.counts.Conflict > 0 {
		fmt.Fprintf(i.con.Out, ", %d in conflict with an earlier value, which stays", i.counts.Conflict)
	}
	if i.rejected() > 0 {
		fmt.Fprintf(i.con.Out, "; %s rejected", wording.Count(i.rejected(), "record"))
	}
	fmt.Fprintln(i.con.Out)
}

// importJSON is what an import took in.
type importJSON struct {
	Readings  int       `json:"readings"`  // in the files, rejected ones not among them
	New       int       `json:"new"`       // of them, stored now
	Duplicate int       `json:"duplicate"` // of them, already there
	Conflict  int       `json:"conflict"`  // of them, with an earlier value that stays
	Rejected  int       `json:"rejected"`  // records that became no reading
	Seconds   cli.Known `json:"seconds"`   // that it took

	Channels []channelJSON `json:"channels,omitempty"` // with --recipe, what each channel looks like
}

// channelJSON is what one channel of a node looks like in the files.
type channelJSON struct {
	Dwelling   string    `json:"dwelling"`   // its id
	Node       string    `json:"node"`       // its name
	Channel    string    `json:"channel"`    // one of the seven
	Readings   int       `json:"readings"`   // in the files
	From       string    `json:"from"`       // the first
	To         string    `json:"to"`         // the last
	IntervalS  cli.Known `json:"interval_s"` // between readings, the most frequent
	AtRest     cli.Known `json:"at_rest"`    // share of readings while no water ran
	InDraws    cli.Known `json:"in_draws"`   // share while water ran; what is left has no flow beside it
	Unit       string    `json:"unit"`       // of lowest and highest: Cel or l/min
	Lowest     cli.Known `json:"lowest"`     // value
	Highest    cli.Known `json:"highest"`    // value
	Suspicious []string  `json:"suspicious"` // what looks wrong, in words
}

func (i *importer) writeJSON(took time.Duration) error {
	out := importJSON{
		Readings: i.readings(),
		New:      int(i.counts.New), Duplicate: int(i.counts.Duplicate), Conflict: int(i.counts.Conflict),
		Rejected: i.rejected(), Seconds: cli.Known(took.Seconds()),
	}
	if i.channels != nil {
		for _, c := range i.channels.Summary() {
			out.Channels = append(out.Channels, asChannelJSON(&c))
		}
	}
	return cli.WriteJSONLine(i.con.Out, out)
}

func asChannelJSON(c *intake.ChannelSummary) channelJSON {
	unit, scale := "Cel", 1.0
	if c.Channel.IsFlow() {
		unit, scale = "l/min", 60
	}
	j := channelJSON{
		Dwelling: c.Dwelling, Node: c.Node, Channel: c.Channel.String(), Readings: c.Readings, From: c.First.String(), To: c.Last.String(),
		IntervalS: cli.Known(c.IntervalS), AtRest: cli.Known(c.AtRest), InDraws: cli.Known(c.InDraws),
		Unit: unit, Lowest: cli.Known(c.Lowest * scale), Highest: cli.Known(c.Highest * scale), Suspicious: c.Suspicious,
	}
	if j.Suspicious == nil {
		j.Suspicious = []string{}
	}
	return j
}
