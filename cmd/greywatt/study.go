package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/ingest/studyfile"
	"greywatt/ingest/suggest"
	"greywatt/plots/wording"
)

// A studyFlag names the study file.
type studyFlag struct{ file string }

func (f *studyFlag) addFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.file, "study", "study.toml", "the study `FILE`")
}

// read returns the study, or all the mistakes of its file.
func (f *studyFlag) read() (*greywatt.Study, error) {
	file, err := os.Open(f.file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("no study file %s: name yours with --study FILE, or write one (greywatt help study-file)", f.file)
	}
	if err != nil {
		return nil, fmt.Errorf("study: %w", err)
	}
	defer file.Close()
	s, err := studyfile.Read(file)
	if mistakes := (studyfile.Mistakes)(nil); errors.As(err, &mistakes) {
		return nil, &studyMistakes{f.file, mistakes}
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.file, err)
	}
	return s, nil
}

// dwellings returns those of the study with the given ids, all where none is
// given.
func dwellings(s *greywatt.Study, ids []string) ([]*greywatt.Dwelling, error) {
	var chosen []*greywatt.Dwelling
	for i := range s.Dwellings {
		if d := &s.Dwellings[i]; len(ids) == 0 || slices.Contains(ids, d.ID) {
			chosen = append(chosen, d)
		}
	}
	for _, id := range ids {
		if _, ok := s.Dwelling(id); !ok {
			return nil, noDwelling(s, id)
		}
	}
	return chosen, nil
}

func noDwelling(s *greywatt.Study, id string) error {
	var names []string
	for _, d := range s.Dwellings {
		names = append(names, d.ID)
	}
	if near, ok := suggest.Nearest(id, names); ok {
		return usagef("no dwelling %q in the study; did you mean %s?", id, near)
	}
	return usagef("no dwelling %q in the study, which has %s", id, wording.Count(len(names), "dwelling"))
}
