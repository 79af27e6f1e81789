package site

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/studyfile"
	"greywatt/ingest/suggest"
	"greywatt/plots/wording"
)

// A StudyFlag names the study file.
type StudyFlag struct{ File string }

func (f *StudyFlag) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.File, "study", "study.toml", "the study `FILE`")
}

// Read returns the study, or all the mistakes of its file.
func (f *StudyFlag) Read() (*greywatt.Study, error) {
	file, err := os.Open(f.File)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("no study file %s: name yours with --study FILE, or write one (greywatt help study-file)", f.File)
	}
	if err != nil {
		return nil, fmt.Errorf("study: %w", err)
	}
	defer file.Close()
	s, err := studyfile.Read(file)
	if mistakes := (studyfile.Mistakes)(nil); errors.As(err, &mistakes) {
		return nil, &cli.StudyMistakes{File: f.File, Mistakes: mistakes}
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.File, err)
	}
	return s, nil
}

// Dwellings returns those of the study with the given ids, all where none is
// given.
func Dwellings(s *greywatt.Study, ids []string) ([]*greywatt.Dwelling, error) {
	var chosen []*greywatt.Dwelling
	for i := range s.Dwellings {
		if d := &s.Dwellings[i]; len(ids) == 0 || slices.Contains(ids, d.ID) {
			chosen = append(chosen, d)
		}
	}
	for _, id := range ids {
		if _, ok := s.Dwelling(id); !ok {
			return nil, NoDwelling(s, id)
		}
	}
	return chosen, nil
}

func NoDwelling(s *greywatt.Study, id string) error {
	var names []string
	for _, d := range s.Dwellings {
		names = append(names, d.ID)
	}
	if near, ok := suggest.Nearest(id, names); ok {
		return cli.Usagef("no dwelling %q in the study; did you mean %s?", id, near)
	}
	return cli.Usagef("no dwelling %q in the study, which has %s", id, wording.Count(len(names), "dwelling"))
}
