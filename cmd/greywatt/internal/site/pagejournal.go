package site

import (
	"strings"

	"greywatt"
)

// SheetsFolder returns the folder beside the study file in which sheets are kept:
// study.sheets for study.toml.
func (f *StudyFlag) SheetsFolder() string { return strings.TrimSuffix(f.File, ".toml") + ".sheets" }

// A Journal is the journal beside a study file, for the page: each call reads the
// files as they are then.
type Journal struct{ *StudyFlag }

// Facts returns the facts in the journal's order.
func (j Journal) Facts() ([]greywatt.Fact, error) {
	w, err := j.ReadWhole()
	return w.Journal.Facts, err
}

// Append adds a fact, unless there is one of its id; it is on disk once Append
// returns.
func (j Journal) Append(fact greywatt.Fact) (added bool, err error) {
	w, err := j.ReadWhole()
	if w.File == nil {
		return false, err
	}
	return j.JournalFile().Append(w.File, fact)
}
