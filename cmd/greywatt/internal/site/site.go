// Package site is what a command looks at: the study file, the store of its
// readings, a period, a share of the dwellings, and their analysis.
package site

import (
	"context"
	"crypto/sha256"
	"fmt"
	"iter"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
)

// Flags say which study to look at and where its readings are. A verb that
// looks at a period or at a worker's share only adds those flags itself.
type Flags struct {
	study  StudyFlag
	Data   StoreFlags
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
	Readings ReadingStore // nil until they are opened
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
	if s.Readings, err = f.Data.Read(con); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *Site) Close() error { return s.Readings.Close() }

// Analyse runs the chosen dwellings' readings in the period through the analysis.
func (s *Site) Analyse(ctx context.Context) iter.Seq[Result] {
	return Analyse(ctx, s.Readings, s.Study, s.Chosen, s.Period)
}
