package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/intake"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/ingest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/propose"
	"greywatt/ingest/recipe/table"
	"greywatt/plots/wording"
)

type recipeOptions struct {
	study  site.StudyFlag
	out    string
	broker logger.BrokerFlags
	topics string
	listen time.Duration
}

func recipeCommand() cli.Command {
	return cli.Command{
		Name:     "recipe",
		Example:  "greywatt recipe --study study.toml logger.csv",
		Operands: "[FILE...]",
		Summary:  "propose a recipe for other loggers' files or topics",
		About: `
Looks at the beginning of the first file, text, JSON, workbook or Parquet, and
proposes a recipe for import --recipe: how the table is written, where the time
is and in which zone, which column is which channel and in which unit. Beside
each guess stands its reason, as a comment. What the data cannot tell is marked
DOUBT: decide it before the import, and look at import --preview.

With --broker it listens to a broker instead, for as long as --for says, and
proposes a recipe for each kind of topic that is not the study's own, to be put
into the study file. It takes no session and acknowledges nothing for others.
The page of run does the same for what comes to its own broker.

The more showers the file has, the more it tells. The study's zone and dwellings
are used where there is a study file. The recipe is written to standard output,
or to --out; then each file is read by it, and what would come of it is said.
Nothing is stored.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &recipeOptions{},
	}
}

func (o *recipeOptions) AddFlags(flags *pflag.FlagSet) {
	o.study.AddFlags(flags)
	flags.StringVar(&o.out, "out", "", "write the recipe to `FILE`")
	o.broker.AddConnection(flags, "listen to the broker at `URL` instead of reading a file")
	flags.StringVar(&o.topics, "topics", "#", "with --broker, the `FILTER` of topics to listen to")
	flags.DurationVar(&o.listen, "for", time.Minute, "with --broker, listen for a `TIME`")
}

const (
	lookedText = 16 << 20
	lookedRows = 50_000
	heardBytes = 64 << 20 // of messages that are kept
)

func (o *recipeOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if len(args) == 0 == (o.broker.URL == "") {
		return cli.Usagef("name a file of the logger, or a broker with --broker URL")
	}
	known := propose.Options{}
	var resolver *payload.Resolver
	study, err := o.study.Read()
	switch {
	case err == nil:
		known.Zone = study.Location()
		for _, d := range study.Dwellings {
			known.Dwellings = append(known.Dwellings, d.ID)
		}
		resolver = payload.NewResolver(study)
	case !noStudyFile(o.study.File):
		return err
	}
	if o.broker.URL != "" {
		return o.overhear(ctx, con, known)
	}
	for _, file := range args {
		if info, err := os.Stat(file); err == nil && info.IsDir() {
			return cli.Usagef("%s is a folder; name the files in it", file)
		}
	}
	s, err := table.Look(args[0], lookedText, lookedRows)
	if err != nil {
		return err
	}
	p, err := propose.File(&propose.Sample{Name: args[0], Format: s.Format, Text: s.Text, Rows: s.Rows, Sheet: s.Sheet}, known)
	if err != nil {
		return err
	}
	if err := o.write(con, p.String()); err != nil {
		return err
	}
	fmt.Fprintln(con.Err, toDecide(p.Doubts))
	rs, err := recipe.Read(strings.NewReader(p.String()))
	if err != nil {
		fmt.Fprintf(con.Err, "before it can be used: %v\n", err)
	} else if err := o.tryOut(ctx, con, rs[0], resolver, args); err != nil {
		return err
	}
	name := o.out
	if name == "" {
		name = "RECIPE"
	}
	if noStudyFile(o.study.File) {
		fmt.Fprintf(con.Err, "There is no study file %s yet, which says what dwellings there are: see %s help study-file\n", o.study.File, con.Name)
	}
	fmt.Fprintf(con.Err, "Next: %s import --study %s --recipe %s --preview %s\n", con.Name, o.study.File, name, args[0])
	return nil
}

// overhear listens to a broker and proposes recipes for what is heard.
func (o *recipeOptions) overhear(ctx context.Context, con *cli.Console, known propose.Options) error {
	cfg, err := o.broker.Config(con, payload.DefaultPrefix)
	if err != nil {
		return err
	}
	cfg.ClientID = "greywatt-recipe-" + strings.ToLower(rand.Text()[:8])
	for_, cancel := context.WithTimeout(ctx, o.listen)
	defer cancel()
	began := time.Now()
	heard := propose.NewHeard(heardBytes)
	err = mqttsource.Overhear(for_, cfg, []string{o.topics}, func(topic string, body []byte, retained bool) {
		if _, err := payload.ParseTopic(payload.DefaultPrefix, topic); err != nil {
			heard.Take(topic, body, time.Since(began).Seconds(), retained)
		}
	})
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		return err
	}
	recipes, doubts := heard.Propose(known)
	text := strings.Join(recipes, "\n")
	if text == "" {
		return fmt.Errorf("within %v nothing was heard under %s but the study's own topics; try a longer --for", o.listen, o.topics)
	}
	if err := o.write(con, text); err != nil {
		return err
	}
	fmt.Fprintf(con.Err, "%s. Next: put it into the study file and look at %s check --study %s\n", toDecide(doubts), con.Name, o.study.File)
	return nil
}

func toDecide(doubts int) string {
	if doubts == 0 {
		return "nothing is left to decide"
	}
	return wording.Count(doubts, "point") + " to decide, marked DOUBT"
}

func noStudyFile(file string) bool {
	_, err := os.Stat(file)
	return errors.Is(err, fs.ErrNotExist)
}

func (o *recipeOptions) write(con *cli.Console, text string) error {
	if o.out == "" {
		_, err := io.WriteString(con.Out, text)
		return err
	}
	return staging.WriteFile(o.out, func(w io.Writer) error {
		_, err := io.WriteString(w, text)
		return err
	})
}

// tryOut reads the files by the recipe and says what would come of it.
func (o *recipeOptions) tryOut(ctx context.Context, con *cli.Console, r *recipe.Recipe, resolver *payload.Resolver, files []string) error {
	options := table.Options{Recipe: r, Dwelling: "dwelling", Now: greywatt.InstantOf(time.Now()), MaxRows: lookedRows}
	if resolver != nil && !r.Place.DwellingFrom.IsZero() {
		options.Known = resolver
	}
	for _, file := range files {
		refused, err := intake.NewRefusals(con.Err, nil)
		if err != nil {
			return err
		}
		n := 0
		_, err = table.Read(ctx, file, options, func(_ context.Context, rs []greywatt.Reading, rejected []ingest.RejectedRecord) error {
			n += len(rs)
			_, err := refused.Take(rejected)
			return err
		})
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			fmt.Fprintln(con.Err, err)
			continue
		}
		if err := refused.Summarise(); err != nil {
			return err
		}
		fmt.Fprintf(con.Err, "%s: %s, %s rejected\n", file, wording.Count(n, "reading"), wording.Count(refused.N, "record"))
	}
	return nil
}
