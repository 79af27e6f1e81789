package sheet

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots"
)

// A Record is what was said and signed at a handover, from which its sheet can be
// made again.
type Record struct {
	ID       string            `json:"id"` // of the form
	At       string            `json:"at"` // when it was signed, RFC 3339
	Showers  int               `json:"showers"`
	Events   []string          `json:"events"` // that were judged
	Code     string            `json:"check_code"`
	Noted    string            `json:"noted"` // what the journal says of it
	Answers  map[string]Answer `json:"answers"`
	Serial   string            `json:"serial"`
	Remarks  string            `json:"remarks"`
	Engineer plots.Signature   `json:"engineer"`
	Resident plots.Signature   `json:"resident"`
	Photos   []string          `json:"photos,omitempty"` // checks of which there is a photo, a file of its own

	pictures map[string][]byte
}

// NewRecord returns the record of an input that was signed at an instant, in sight of
// so many showers, under the id of a form.
func NewRecord(in *Input, id string, at greywatt.Instant, showers int) *Record {
	r := &Record{ID: id, At: at.String(), Showers: showers, Events: in.Result.Events, Code: Code(in), Answers: map[string]Answer{},
		Serial: in.Serial, Remarks: in.Remarks, Engineer: in.Engineer, Resident: in.Resident}
	for i, a := range in.Answers {
		r.Answers[Checks[i].ID] = a
	}
	for _, c := range Checks {
		if _, ok := in.Photos[c.ID]; ok {
			r.Photos = append(r.Photos, c.ID)
		}
	}
	r.pictures = in.Photos
	return r
}

// Fill gives an input what was said and signed, and takes from it what the journal
// did not have then.
func (r *Record) Fill(in *Input) {
	in.Answers = make([]Answer, len(Checks))
	for i, c := range Checks {
		in.Answers[i] = r.Answers[c.ID]
	}
	in.Serial, in.Remarks, in.Engineer, in.Resident, in.Photos = r.Serial, r.Remarks, r.Engineer, r.Resident, r.pictures
	at := r.Instant()
	in.Facts = slices.DeleteFunc(slices.Clone(in.Facts), func(f greywatt.Fact) bool {
		if f.Noted != 0 {
			return f.ID == r.ID || f.Noted > at
		}
		return f.At > at
	})
}

// Instant returns when it was signed.
func (r *Record) Instant() greywatt.Instant {
	at, err := time.Parse(time.RFC3339Nano, r.At)
	if err != nil {
		return 0
	}
	return greywatt.InstantOf(at)
}

// A Folder keeps sheets and their records; empty: none are kept.
type Folder string

// Prefix begins the names of a dwelling's sheets: two dots part it from what
// follows, which no other dwelling's id can make up.
func Prefix(dwelling string) string { return strings.ReplaceAll(dwelling, ":", "_") + ".." }

var sheetName = regexp.MustCompile(`^[A-Za-z0-9][-A-Za-z0-9_.]*\.pdf$`)

// Sheets lists the sheets that are kept of a dwelling, by name, the newest first.
func (f Folder) Sheets(dwelling string) []string { return f.list(dwelling, ".pdf") }

func (f Folder) list(dwelling, ending string) (names []string) {
	if f == "" {
		return nil
	}
	entries, err := os.ReadDir(string(f))
	if err != nil {
		return nil
	}
	prefix := Prefix(dwelling)
	for _, e := range entries {
		name := e.Name()
		base, ok := strings.CutSuffix(name, ending)
		if ok && strings.HasPrefix(name, prefix) && sheetName.MatchString(base+".pdf") {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	slices.Reverse(names)
	return names
}

// Record returns the record of a dwelling's form; nil where there is none.
func (f Folder) Record(dwelling, id string) (*Record, error) {
	return f.read(Prefix(dwelling) + id + ".json")
}

func (f Folder) read(name string) (*Record, error) {
	text, err := os.ReadFile(filepath.Join(string(f), name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	r := new(Record)
	if err := json.Unmarshal(text, r); err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Join(string(f), name), err)
	}
	for _, check := range r.Photos {
		if !slices.ContainsFunc(Checks, func(c Check) bool { return c.ID == check }) {
			continue // no name of a file that we gave
		}
		photo, err := os.ReadFile(filepath.Join(string(f), photoName(strings.TrimSuffix(name, ".json"), check)))
		if err != nil {
			return nil, err
		}
		if r.pictures == nil {
			r.pictures = map[string][]byte{}
		}
		r.pictures[check] = photo
	}
	return r, nil
}

// Newest returns the newest record of a dwelling that is of the given showers, of any
// where events is nil; nil where there is none.
func (f Folder) Newest(dwelling string, events []string) (*Record, error) {
	for _, name := range f.list(dwelling, ".json") {
		r, err := f.read(name)
		if err != nil {
			return nil, err
		}
		if r != nil && (events == nil || slices.Equal(r.Events, events)) {
			return r, nil
		}
	}
	return nil, nil
}

// photoName is the file of a photo, beside the record whose name without its ending
// is given.
func photoName(record, check string) string { return record + "." + check + ".jpg" }

// Keep writes a record: its photos first, so that a record that is there is whole.
func (f Folder) Keep(dwelling string, r *Record) error {
	for _, check := range r.Photos {
		if err := f.write(photoName(Prefix(dwelling)+r.ID, check), func(w io.Writer) error {
			_, err := w.Write(r.pictures[check])
			return err
		}); err != nil {
			return err
		}
	}
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	return f.write(Prefix(dwelling)+r.ID+".json", func(w io.Writer) error {
		_, err := w.Write(append(text, '\n'))
		return err
	})
}

// KeepSheet writes the sheet of a form as PDF.
func (f Folder) KeepSheet(dwelling, id string, in *Input) error {
	return f.write(Prefix(dwelling)+id+".pdf", func(w io.Writer) error {
		return plots.Write(w, plots.Output{Format: plots.PDF}, Make(in))
	})
}

func (f Folder) write(name string, write func(io.Writer) error) error {
	if err := os.MkdirAll(string(f), 0o750); err != nil {
		return err
	}
	return staging.WriteFile(filepath.Join(string(f), name), write)
}
