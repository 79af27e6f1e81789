// Package site is what a command looks at: the study file, the store of its
// readings, a period, a share of the dwellings, and their analysis.
package site

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"iter"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis"
	"greywatt/cmd/greywatt/internal/abreast"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/kept"
)

// Flags say which study to look at and where its readings are. A verb that
// looks at a period or at a worker's share only, or that analyses all readings,
// adds those flags itself.
type Flags struct {
	study  StudyFlag
	Data   StoreFlags
	Kept   KeptFlag
	Period PeriodFlag
	Worker WorkerFlag
}

func (f *Flags) AddFlags(flags *pflag.FlagSet) {
	f.study.AddFlags(flags)
	f.Data.AddFlags(flags)
}

// SheetsFolder returns the folder in which the page keeps sheets.
func (f *Flags) SheetsFolder() string { return f.study.SheetsFolder() }

// Facts returns the facts of the study's journal.
func (f *Flags) Facts() ([]greywatt.Fact, error) { return Journal{&f.study}.Facts() }

// An Input is a file that was read, with its hash.
type Input struct{ Name, Hash string }

// Inputs returns what a study consists of beside its readings: study file, table of
// dwellings and journal, as far as they are there.
func (f *Flags) Inputs() []Input {
	texts := f.study.Contents()
	var out []Input
	for i, name := range []string{"study file", "journal", "table of dwellings"} {
		if texts[i] != "" {
			out = append(out, Input{name, fmt.Sprintf("sha256:%x", sha256.Sum256([]byte(texts[i])))})
		}
	}
	return out
}

// A Site is a study with its readings, and what of both was asked for.
type Site struct {
	Study    *greywatt.Study
	Chosen   []*greywatt.Dwelling
	Period   Period
	Readings ReadingStore  // nil until they are opened
	kept     *kept.Results // nil where none are used
	written  Written
}

// Choose reads the study and what is asked of it, of the dwellings with the
// given ids, of all where none is given. The readings stay closed.
func (f *Flags) Choose(ids []string) (*Site, error) {
	written, err := f.study.ReadWhole()
	if err != nil {
		return nil, err
	}
	study := written.Study
	s := &Site{Study: study, written: written}
	if s.Chosen, err = Dwellings(study, ids); err != nil {
		return nil, err
	}
	if s.Period, err = f.Period.In(study.Timezone); err != nil {
		return nil, err
	}
	if s.Chosen, err = f.Worker.Choose(s.Chosen); err != nil {
		return nil, err
	}
	return s, nil
}

// Open does the same and opens the readings; who calls it is to close the site.
func (f *Flags) Open(con *cli.Console, ids []string) (*Site, error) {
	s, err := f.Choose(ids)
	if err != nil {
		return nil, err
	}
	f.study.WarnTorn(con, &s.written)
	return s, f.OpenReadings(con, s)
}

// OpenReadings opens the readings of a site, and what is kept of their analysis.
func (f *Flags) OpenReadings(con *cli.Console, s *Site) (err error) {
	if s.Readings, err = f.Data.Read(con); err != nil {
		return err
	}
	s.kept = f.Kept.open(con, &f.Data)
	s.kept.Forget(s.Study)
	return nil
}

func (s *Site) Close() error { return errors.Join(s.kept.Close(), s.Readings.Close()) }

// Analyse runs the chosen dwellings' readings in the period through the analysis.
func (s *Site) Analyse(ctx context.Context) iter.Seq[Result] {
	return s.analyse(ctx, analysis.Options{Period: s.Period})
}

// AnalyseCompact does the same with all readings, for callers that need no budgets
// but for sums over the events, which are in the results' histories.
func (s *Site) AnalyseCompact(ctx context.Context) iter.Seq[Result] {
	return s.analyse(ctx, analysis.Options{Compact: true, Sums: true})
}

// analyse analyses the chosen dwellings.
func (s *Site) analyse(ctx context.Context, o analysis.Options) iter.Seq[Result] {
	workers := abreast.Workers(len(s.Chosen))
	return analyseEach(ctx, s.Chosen, func(ctx context.Context, d *greywatt.Dwelling) Result {
		return s.analyseOne(ctx, d, o, workers)
	})
}

// analyseOne analyses one dwelling, from what is kept as far as that goes.
func (s *Site) analyseOne(ctx context.Context, d *greywatt.Dwelling, o analysis.Options, workers int) Result {
	from, local := s.Readings.(kept.Store)
	if !s.kept.Keeps() || !local {
		return analyseDwelling(ctx, s.Readings, s.Study, d, o, workers)
	}
	r, err := s.kept.Run(ctx, from, s.Study, d, o, workers)
	if ctx.Err() != nil {
		err = ctx.Err()
	}
	return Result{r, err}
}
