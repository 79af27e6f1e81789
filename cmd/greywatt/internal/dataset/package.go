package dataset

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"io"
	"slices"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/cmd/greywatt/internal/staging"
)

// Files are the names of the files that a package has.
var Files = []string{"events.csv", "findings.csv", "trend.csv", "dwellings.csv", "monthly.csv", "uncertainty.csv", "yearly.csv", "work.csv", "journal.csv", "codes.csv", "events.parquet", "README.md", "datapackage.json"}

// Naming are those of the Files that a package which hides anything has not: they
// say which dwelling is which.
var Naming = []string{"dwellings.csv", "monthly.csv", "uncertainty.csv", "yearly.csv", "work.csv", "journal.csv"}

// riskFile is what a package that hides anything has beside the rest.
const riskFile = "risk.csv"

// Known reports whether a package may have a file of that name.
func Known(name string) bool {
	return name == riskFile || slices.Contains(Files, name) || slices.Contains(metadataFiles, name)
}

// A Build says what made the package. What is empty is not said.
type Build struct {
	Program string  // version of the program
	Method  string  // version of the method
	Inputs  []Input // what was read beside the readings; not told where anything is hidden
}

// An Input is a file with its hash, such as sha256: and hexadecimal digits.
type Input struct {
	Name string `json:"name"`
	Hash string `json:"hash"`
}

// A Package collects a study's results and writes them. The same results,
// added in the same order, give the same bytes.
type Package struct {
	title, version          string
	about                   greywatt.Publication
	build                   Build
	zone                    string // of the study; empty: not told
	events, findings, trend *table
	described, months       *table
	years, work, journal    *table
	effects, codes, risk    *table
	hide                    *discloser // nil where nothing is hidden
	text                    *spool
	arrivals                map[string][]string // see SetArrivals
	missing                 map[string]float64  // see SetMissingPacks
}

// New returns an empty package for the study; version is the program's, empty
// where it is none that was released. What memory is too small for waits in a
// file in the folder scratch. Call Close when done with the package.
func New(s *greywatt.Study, version, scratch string) *Package {
	title := cmp.Or(s.Dataset.Title, s.Name)
	if title == "" {
		title = "Shower heat recovery study"
	}
	text := &spool{dir: scratch, cut: spoolMemory}
	return &Package{
		title:   title,
		version: version,
		about:   s.Dataset,
		zone:    s.Location().String(),
		text:    text,
		events: newTable(text, "events", "Draws of water through the exchangers, in the order of time",
			[]string{"event_id"}, eventColumns),
		findings: newTable(text, "findings", "What the events say about each unit, its sensors and its piping; the strongest first",
			[]string{"dwelling", "finding"}, findingColumns),
		trend: newTable(text, "trend", "Conductance of each unit relative to the rated unit, event by event",
			[]string{"dwelling", "event_id"}, trendColumns),
		described: newTable(text, "dwellings", "The dwellings as the study file describes them", []string{"dwelling"}, dwellingColumns),
		months: newTable(text, "monthly", "Each dwelling month by month and over all data: measured, expected and recovered",
			[]string{"dwelling", "month"}, monthColumns),
		effects: newTable(text, "uncertainty", "What the uncertainty of each dwelling's figures over all data consists of, and which dwellings share it",
			[]string{"dwelling", "figure", "input"}, effectColumns),
		years: newTable(text, "yearly", "What each dwelling recovers in a year by what was logged of it, with the season of the mains and the time without readings filled in",
			[]string{"dwelling"}, yearColumns),
		work: newTable(text, "work", "Each dwelling's ratio in the four weeks before and after a cleaning or repair",
			[]string{"dwelling", "at", "kind"}, workColumns),
		journal: newTable(text, "journal", "Dated facts about the dwellings, as the study's journal has them: work, replacements, remarks, periods left out",
			[]string{"fact"}, journalColumns),
		codes: newTable(text, "codes", "What the flags and findings mean", []string{"table", "code"}, codeColumns),
		risk:  newTable(text, "risk", "What single facts about a home, known from elsewhere, give away of this dataset", []string{"attack"}, riskColumns),
	}
}

// Disclosing returns an empty package that tells no more than d says: neither the
// study's name nor the dwellings' ids. What the study file has under [dataset] is
// told as it stands: it was written to be published.
func Disclosing(s *greywatt.Study, version, scratch string, d Disclosure) *Package {
	p := New(&greywatt.Study{Dataset: s.Dataset}, version, scratch)
	p.zone = ""
	p.hide = newDiscloser(s, d)
	p.hide.rename(p.events, p.findings, p.trend)
	return p
}

// MadeBy says what made the package.
func (p *Package) MadeBy(b Build) { p.build = b }

// inputs are those that may be told: the hash of a text that somebody guesses
// confirms the guess.
func (p *Package) inputs() []Input {
	if p.hide != nil {
		return nil
	}
	return p.build.Inputs
}

// Close lets go of what the package holds.
func (p *Package) Close() error { return p.text.close() }

// Withheld returns what Write has left out.
func (p *Package) Withheld() Withheld {
	if p.hide == nil {
		return Withheld{}
	}
	return p.hide.withheld
}

// Add takes the results of one dwelling. Findings and trend are written in the
// order in which they come; events are put in the order of time. An error says
// that the scratch folder takes no more.
func (p *Package) Add(events []event.Event, d finding.Diagnosis) error {
	if err := p.add(events, d); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return nil
}

func (p *Package) add(events []event.Event, d finding.Diagnosis) error {
	for i := range events {
		e := &events[i]
		if p.hide != nil {
			e = p.hide.event(e)
		}
		if err := add(p.events, eventColumns, e.Dwelling, e.Start, e); err != nil {
			return err
		}
	}
	for _, f := range d.Findings {
		if p.hide != nil {
			p.hide.findings = append(p.hide.findings, p.hide.finding(f))
			continue
		}
		if err := add(p.findings, findingColumns, f.Dwelling, 0, f); err != nil {
			return err
		}
	}
	for _, t := range d.Trend {
		if p.hide != nil {
			t = p.hide.trendPoint(t)
		}
		if err := add(p.trend, trendColumns, t.Dwelling, t.At, t); err != nil {
			return err
		}
	}
	return nil
}

// Write writes the package into dir, making it where it does not exist. Each
// file is complete, and on disk, before any takes its name; datapackage.json
// takes it last and holds the others' hashes. Other files in dir stay.
func (p *Package) Write(dir string) error {
	stage, err := staging.In(dir)
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer stage.Discard()
	if err := p.stage(stage); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if err := stage.Publish(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return nil
}

func (p *Package) stage(s *staging.Stage) error {
	if p.hide != nil {
		if err := p.disclose(); err != nil {
			return err
		}
	}
	if err := p.events.sort(); err != nil {
		return err
	}
	var resources []*resource
	told := codes()
	if p.hide != nil && p.hide.MinGroup > 1 {
		told = append(told, codeRow{"findings", string(withheldFinding), "something was found that fewer dwellings share than may be told"})
	}
	for _, c := range told {
		if err := add(p.codes, codeColumns, "", 0, c); err != nil {
			return err
		}
	}
	tables := []*table{p.events, p.findings, p.trend}
	if p.hide == nil { // what describes a dwelling singles it out
		tables = append(tables, p.described, p.months, p.effects, p.years, p.work, p.journal)
	} else {
		tables = append(tables, p.risk)
	}
	for _, t := range append(tables, p.codes) {
		f, err := hashed(s, t.name+".csv", t.writeCSV)
		if err != nil {
			return err
		}
		resources = append(resources, t.resource(f))
	}
	events, trend := resources[0], resources[2]
	trend.Schema.ForeignKeys = []foreignKey{{"event_id", reference{"events", "event_id"}}}

	description, err := json.Marshal(events)
	if err != nil {
		return err
	}
	parquet, err := hashed(s, "events.parquet", func(w io.Writer) error {
		return p.events.writeParquet(w, string(description))
	})
	if err != nil {
		return err
	}
	events.Alternatives = []alternative{{parquet, "application/vnd.apache.parquet", "The same rows and columns, with types"}}

	if err := p.writeMetadata(s, resources); err != nil {
		return err
	}
	return s.Write("datapackage.json", func(w io.Writer) error { return writeObject(w, p.describe(resources)) })
}

// writeMetadata writes what is for people, archives and search engines.
func (p *Package) writeMetadata(s *staging.Stage, resources []*resource) error {
	if err := s.Write("README.md", func(w io.Writer) error { return p.readme(w, resources) }); err != nil {
		return err
	}
	if !p.about.Stated() {
		return nil
	}
	members := []member{
		{"README.md", "What the files and columns are", "text/markdown"},
		{"datapackage.json", "Every column's type, unit and meaning", "application/json"},
		{"events.parquet", "The same as events.csv, with types", "application/vnd.apache.parquet"},
		{"CITATION.cff", "How to cite the dataset", "text/yaml"},
		{"datacite.json", "Metadata for its registration", "application/json"},
	}
	for _, r := range resources {
		members = append(members, member{r.Path, r.Description, r.MediaType})
	}
	for i, write := range []func(io.Writer) error{p.citation, p.dataCite, func(w io.Writer) error { return p.crate(w, members) }} {
		if err := s.Write(metadataFiles[i], write); err != nil {
			return err
		}
	}
	return nil
}

// hashed writes a file and returns its size and hash.
func hashed(s *staging.Stage, name string, write func(io.Writer) error) (file, error) {
	sum := &summed{hash: sha256.New()}
	err := s.Write(name, func(w io.Writer) error {
		sum.w = w
		return write(sum)
	})
	return file{name, sum.n, "sha256:" + hex.EncodeToString(sum.hash.Sum(nil))}, err
}

// summed counts and hashes what passes.
type summed struct {
	w    io.Writer
	hash hash.Hash
	n    int64
}

func (s *summed) Write(b []byte) (int, error) {
	n, err := s.w.Write(b)
	s.hash.Write(b[:n])
	s.n += int64(n)
	return n, err
}

func (p *Package) describe(resources []*resource) descriptor {
	d := descriptor{
		Profile: "tabular-data-package",
		Name:    slug(p.title),
		Title:   p.title,
		Description: "Events at shower waste-water heat exchangers: measured effectiveness against the rated value, heat recovered, and findings. " +
			"Times are UTC. Units are UCUM codes. Every u95 is an expanded uncertainty, k = 2. An empty cell is not known; the flags say why. " +
			"Periods that the study's journal leaves out, such as works in a house, are in no table; " +
			"each event is analysed with the sensors, unit and heater that were in place when it began.",
		Generator:     strings.TrimSpace("greywatt " + p.version),
		Build:         p.build.Program,
		MethodVersion: p.build.Method,
		Timezone:      p.zone,
		Inputs:        p.inputs(),
		Resources:     resources,
	}
	if p.about.Stated() {
		d.describeLicence(&p.about)
	}
	if p.hide != nil {
		d.Disclosure = p.hide.note()
		d.Description = strings.Replace(d.Description, "Times are UTC.", p.hide.times(), 1)
	}
	return d
}

// slug turns a title into a package name: small letters, digits and hyphens.
func slug(title string) string {
	words := strings.FieldsFunc(strings.ToLower(title), func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9')
	})
	if len(words) == 0 {
		return "study"
	}
	return strings.Join(words, "-")
}
