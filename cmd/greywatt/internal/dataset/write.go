package dataset

import (
	"bufio"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"

	"greywatt"
	"greywatt/analysis"
)

// Contents are a study's results. Findings and trend points stand in the order
// in which they are to be written.
type Contents struct {
	Study    *greywatt.Study
	Version  string // of the program, for the package's description
	Events   []analysis.Event
	Findings []analysis.Finding
	Trend    []analysis.TrendPoint
}

// Write writes the package into dir, making it where it does not exist. Each
// file is complete, and on disk, before any takes its name; datapackage.json
// takes it last and holds the others' hashes. Other files in dir stay.
func Write(dir string, c Contents) error {
	parent := filepath.Dir(filepath.Clean(dir))
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	s := &staging{dir: dir}
	defer s.discard()
	if err := c.stage(s); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if err := s.publish(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return errors.Join(syncDir(dir), syncDir(parent))
}

func (c *Contents) stage(s *staging) error {
	events := table[event]{"events", "Draws of water through the exchangers, in the order of time", []string{"event_id"},
		eventColumns, byTime(c.Events)}
	findings := table[finding]{"findings", "What the events say about each unit, its sensors and its piping; the strongest first",
		[]string{"dwelling", "finding"}, findingColumns, c.Findings}
	trend := table[trendPoint]{"trend", "Conductance of each unit relative to the rated unit, event by event",
		[]string{"dwelling", "event_id"}, trendColumns, c.Trend}

	csvEvents, err := events.stageCSV(s)
	if err != nil {
		return err
	}
	schema, err := json.Marshal(csvEvents)
	if err != nil {
		return err
	}
	parquet, err := s.write("events.parquet", func(w io.Writer) error { return events.writeParquet(w, string(schema)) })
	if err != nil {
		return err
	}
	csvEvents.Alternatives = []alternative{{parquet, "application/vnd.apache.parquet", "The same rows and columns, with types"}}
	csvFindings, err := findings.stageCSV(s)
	if err != nil {
		return err
	}
	csvTrend, err := trend.stageCSV(s)
	if err != nil {
		return err
	}
	csvTrend.Schema.ForeignKeys = []foreignKey{{"event_id", reference{"events", "event_id"}}}
	_, err = s.write("datapackage.json", func(w io.Writer) error {
		out := json.NewEncoder(w)
		out.SetEscapeHTML(false)
		out.SetIndent("", "  ")
		return out.Encode(describe(c.Study, c.Version, []*resource{csvEvents, csvFindings, csvTrend}))
	})
	return err
}

func byTime(events []analysis.Event) []event {
	rows := make([]event, len(events))
	for i := range events {
		rows[i] = &events[i]
	}
	slices.SortStableFunc(rows, func(a, b event) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Dwelling, b.Dwelling), cmp.Compare(a.ID, b.ID))
	})
	return rows
}

func (t *table[R]) stageCSV(s *staging) (*resource, error) {
	f, err := s.write(t.name+".csv", t.writeCSV)
	if err != nil {
		return nil, err
	}
	return t.resource(f), nil
}

// A file is a finished file of the package.
type file struct {
	Path  string `json:"path"`
	Bytes int64  `json:"bytes"`
	Hash  string `json:"hash"`
}

// A staging holds files under temporary names until all are complete.
type staging struct {
	dir   string
	files []staged
}

type staged struct{ temp, final string }

// write fills a new file by write and flushes it to disk.
func (s *staging) write(name string, write func(io.Writer) error) (file, error) {
	f, err := os.CreateTemp(s.dir, "."+name+".*.tmp")
	if err != nil {
		return file{}, err
	}
	s.files = append(s.files, staged{f.Name(), filepath.Join(s.dir, name)})
	hash := sha256.New()
	buffer := bufio.NewWriterSize(io.MultiWriter(f, hash), 1<<16)
	err = write(buffer)
	if err == nil {
		err = buffer.Flush()
	}
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	size, seekErr := f.Seek(0, io.SeekEnd)
	if err := errors.Join(err, seekErr, f.Close()); err != nil {
		return file{}, fmt.Errorf("%s: %w", name, err)
	}
	return file{name, size, "sha256:" + hex.EncodeToString(hash.Sum(nil))}, nil
}

// publish gives the files their names, in the order in which they were written.
func (s *staging) publish() error {
	for len(s.files) > 0 {
		if err := os.Rename(s.files[0].temp, s.files[0].final); err != nil {
			return err
		}
		s.files = s.files[1:]
	}
	return nil
}

// discard removes what was not published.
func (s *staging) discard() {
	for _, f := range s.files {
		os.Remove(f.temp)
	}
}

// syncDir makes names in dir durable, where the system has a way to.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
