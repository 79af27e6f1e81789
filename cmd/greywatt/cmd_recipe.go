package main

import (
	"context"
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
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/ingest"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/propose"
	"greywatt/ingest/recipe/table"
	"greywatt/plots/wording"
)

type recipeOptions struct {
	study site.StudyFlag
	out   string
}

func recipeCommand() cli.Command {
	return cli.Command{
		Name:     "recipe",
		Example:  "greywatt recipe --study study.toml logger.csv",
		Operands: "FILE...",
		Summary:  "propose a recipe for a file of another logger",
		About: `
Looks at the beginning of the first file, text, JSON, workbook or Parquet, and
proposes a recipe for import --recipe: how the table is written, where the time
is and in which zone, which column is which channel and in which unit. Beside
each guess stands its reason, as a comment. What the data cannot tell is marked
DOUBT: decide it before the import, and look at import --preview.

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
}

const (
	lookedText = 16 << 20
	lookedRows = 50_000
)

func (o *recipeOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if len(args) == 0 {
		return cli.Usagef("name a file of the logger")
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
	fmt.Fprintf(con.Err, "%s to decide, marked DOUBT\n", wording.Count(p.Doubts, "point"))
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
	fmt.Fprintf(con.Err, "Next: %s import --study %s --recipe %s --preview %s\n", con.Name, o.study.File, name, args[0])
	return nil
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
