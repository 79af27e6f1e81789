package site

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/gofrs/flock"

	"greywatt"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/ingest/studyfile"
)

// AddDwelling writes a dwelling at the end of the study file, which it reads anew:
// what stands there stays as it is, comments too. One that is there already as
// described is no error. The error is a [studyfile.Mistakes] where the file would
// not be read back; then nothing is written.
func (j Journal) AddDwelling(d greywatt.Dwelling) error {
	lock := flock.New(j.File+".lock", flock.SetPermissions(0o640))
	if err := lock.Lock(); err != nil {
		return fmt.Errorf("%s: %w", j.File, err)
	}
	defer lock.Close()
	text, err := os.ReadFile(j.File)
	mode := fs.FileMode(0o640)
	switch info, inErr := os.Stat(j.File); {
	case errors.Is(err, fs.ErrNotExist) && j.begun.Load():
		text = []byte(newStudy)
	case errors.Join(err, inErr) != nil:
		return errors.Join(err, inErr)
	default:
		mode = info.Mode().Perm()
	}
	beside := os.DirFS(filepath.Dir(j.File))
	study, err := studyfile.ReadBegun(bytes.NewReader(text), beside)
	if err != nil {
		return fmt.Errorf("%s has mistakes, and nothing is added to it: %w", j.File, err)
	}
	if had, ok := study.Dwelling(d.ID); ok && sameDescription(text, beside, had, &d) {
		return nil
	}
	if len(text) > 0 && text[len(text)-1] != '\n' {
		text = append(text, '\n')
	}
	text = append(text, dwellingTable(&d)...)
	if _, err := studyfile.ReadBeside(bytes.NewReader(text), beside); err != nil {
		return err
	}
	if err := staging.WriteFile(j.File, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	}); err != nil {
		return err
	}
	return os.Chmod(j.File, mode)
}

// HasDwelling reports whether the study file has a dwelling of that id.
func (j Journal) HasDwelling(id string) (bool, error) {
	w, err := j.ReadWhole()
	if w.File == nil {
		return false, err
	}
	_, there := w.File.Dwelling(id)
	return there, nil
}

// newStudy begins a study file that was not there.
const newStudy = `# Made by the page. Every key: greywatt help study-file.
[study]
timezone = "UTC" # where days and months begin, such as "Europe/Dublin"
`

// sameDescription reports whether the study whose file has that text has a dwelling
// just as d, which states no sensors, would be read beside it.
func sameDescription(text []byte, beside fs.FS, had, d *greywatt.Dwelling) bool {
	again := *d
	again.ID += ".again"
	study, err := studyfile.ReadBeside(strings.NewReader(string(text)+"\n"+dwellingTable(&again)), beside)
	if err != nil {
		return false
	}
	as, _ := study.Dwelling(again.ID)
	said := func(w *greywatt.Dwelling) string {
		return fmt.Sprintf("%v %+v %+v", w.Connection, w.Exchanger, w.Heater)
	}
	return said(had) == said(as)
}

// dwellingTable writes a dwelling as a table of the study file. Figures of the
// heater that are zero are left to the file's defaults.
func dwellingTable(d *greywatt.Dwelling) string {
	number := func(v float64) string {
		s := strconv.FormatFloat(v, 'f', -1, 64)
		if !strings.Contains(s, ".") {
			s += ".0"
		}
		return s
	}
	var b strings.Builder
	fmt.Fprintf(&b, "\n[[dwelling]]\nid = %s\nconnection = %s\n", studyfile.Quote(d.ID), studyfile.Quote(d.Connection.String()))
	var points []string
	for _, p := range d.Exchanger.Rated {
		points = append(points, fmt.Sprintf("{ flow_l_min = %s, effectiveness = %s }", number(p.FlowLMin), number(p.Effectiveness)))
	}
	fmt.Fprintf(&b, "[dwelling.exchanger]\nrated = [ %s ]\n", strings.Join(points, ", "))
	if s := d.Exchanger.Serial; s != "" {
		fmt.Fprintf(&b, "serial = %s\n", studyfile.Quote(s))
	}
	if s := d.Exchanger.Place; s != "" {
		fmt.Fprintf(&b, "place = %s\n", studyfile.Quote(s))
	}
	if d.Heater.HotC != 0 || d.Heater.Efficiency != 0 {
		fmt.Fprintln(&b, "[dwelling.heater]")
		if d.Heater.HotC != 0 {
			fmt.Fprintf(&b, "hot_c = %s\n", number(d.Heater.HotC))
		}
		if d.Heater.Efficiency != 0 {
			fmt.Fprintf(&b, "efficiency = %s\n", number(d.Heater.Efficiency))
		}
	}
	return b.String()
}
