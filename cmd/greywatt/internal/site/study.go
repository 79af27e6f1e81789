package site

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/journal"
	"greywatt/ingest/studyfile"
	"greywatt/ingest/suggest"
)

// A StudyFlag names the study file.
type StudyFlag struct {
	File string

	begun atomic.Bool // it need not be there yet, nor have a dwelling
}

// Begin lets the study begin without a file, or with one that has no dwelling yet,
// until the first is there: a file that vanishes later is an error, as it is
// without Begin.
func (f *StudyFlag) Begin() { f.begun.Store(true) }

func (f *StudyFlag) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.File, "study", "study.toml", "the study `FILE`")
}

// Read returns the study with what its journal says, or all the mistakes of
// either file.
func (f *StudyFlag) Read() (*greywatt.Study, error) {
	w, err := f.ReadWhole()
	return w.Study, err
}

// A Written is what somebody wrote about a study.
type Written struct {
	Study   *greywatt.Study // with its journal; nil where there are mistakes
	File    *greywatt.Study // as the study file has it; nil where that has mistakes
	Journal journal.Journal
}

// JournalFile returns the journal beside the study file.
func (f *StudyFlag) JournalFile() journal.File { return journal.Beside(f.File) }

// ReadWhole reads the study file and the journal beside it, if there is one. All
// mistakes of a file are the error, a [cli.StudyMistakes] that names it.
func (f *StudyFlag) ReadWhole() (w Written, err error) {
	data, err := os.ReadFile(f.File)
	read := studyfile.ReadBeside
	if begun := f.begun.Load(); begun {
		read = studyfile.ReadBegun
		if errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return w, fmt.Errorf("no study file %s: name yours with --study FILE, or write one (greywatt help study-file)", f.File)
	}
	if err != nil {
		return w, fmt.Errorf("study: %w", err)
	}
	if w.File, err = read(bytes.NewReader(data), f.folder()); err != nil {
		return w, ofFile(f.File, err)
	}
	if len(w.File.Dwellings) > 0 {
		f.begun.Store(false)
	}
	if _, err := recipesIn(f.File, data); err != nil {
		return w, err
	}
	if w.Journal, err = f.JournalFile().Read(w.File); err != nil {
		return w, ofFile(string(f.JournalFile()), err)
	}
	w.Study = w.File.With(w.Journal.Facts)
	return w, nil
}

// folder is where the study file is, and the table of dwellings that it may name.
func (f *StudyFlag) folder() fs.FS { return os.DirFS(filepath.Dir(f.File)) }

// ofFile says which file has the mistakes.
func ofFile(file string, err error) error {
	if mistakes := (studyfile.Mistakes)(nil); errors.As(err, &mistakes) {
		return &cli.StudyMistakes{File: file, Mistakes: mistakes}
	}
	return fmt.Errorf("%s: %w", file, err)
}

// WarnTorn says on the console what an interrupted write left of a fact.
func (f *StudyFlag) WarnTorn(con *cli.Console, w *Written) {
	if w.Journal.Torn != nil {
		fmt.Fprintf(con.Err, "%s:%s\n", f.JournalFile(), w.Journal.Torn)
	}
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
	const few = 8
	if len(names) <= few {
		return cli.Usagef("no dwelling %q in the study; it has %s", id, strings.Join(names, ", "))
	}
	return cli.Usagef("no dwelling %q among the %d of the study; look its id up in the study file or its table", id, len(names))
}
