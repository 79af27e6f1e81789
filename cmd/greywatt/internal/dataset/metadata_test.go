package dataset

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/pseudonym"
)

func publication() greywatt.Publication {
	return greywatt.Publication{
		Title: `Larch Row: "a winter"`, Licence: "CC-BY-4.0", Publisher: "Archive of the Larch", Version: "1.1", DOI: "10.1234/larch",
		Published: greywatt.Date{Year: 2026, Month: time.November, Day: 2},
		Contributors: []greywatt.Contributor{
			{Name: "Alder, Ash", ORCID: "0000-0002-1825-0097", Affiliation: "Institute of Rows"}, {Name: "The Larch Group"},
		},
		Funding: []greywatt.Funding{{Funder: "Fund for Rows", Award: "R-17"}},
	}
}

func described(t *testing.T, about greywatt.Publication, hide *Disclosure) map[string][]byte {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	study := &greywatt.Study{Name: "secret name", Timezone: zone, Dataset: about, Dwellings: []greywatt.Dwelling{{ID: "larch-04"}, {ID: "birch-11"}}}
	p := New(study, "test", t.TempDir())
	if hide != nil {
		p = Disclosing(study, "test", t.TempDir(), *hide)
	}
	t.Cleanup(func() { p.Close() })
	p.MadeBy(Build{Program: "test build", Method: "7", Inputs: []Input{{"study file", "sha256:abcd"}}})
	events, d := contents()
	if err := p.Add(events, d); err != nil {
		t.Fatal(err)
	}
	facts := []greywatt.Fact{
		{ID: "f1", Dwelling: "larch-04", Kind: greywatt.FactOffset, Channel: greywatt.ColdIn, OffsetK: 0.1, At: at("2026-01-02T00:00:00Z"), By: "Kim"},
		{ID: "f2", Dwelling: "larch-04", Kind: greywatt.FactNote, Text: "wrong", At: at("2026-01-03T00:00:00Z")},
		{ID: "f3", Dwelling: "larch-04", Kind: greywatt.FactWithdrawn, Of: "f2", At: at("2026-01-03T00:00:00Z")},
		{ID: "f4", Dwelling: "larch-04", Kind: greywatt.FactUnitReplaced, At: at("2026-01-04T00:00:00Z"),
			Exchanger: &greywatt.Exchanger{Orientation: greywatt.Vertical, Serial: "sn-4711", Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: 0.57}}}},
	}
	if err := p.AddJournal(facts); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "out")
	if err := p.Write(dir); err != nil {
		t.Fatal(err)
	}
	return files(t, dir)
}

func parse(t *testing.T, text []byte) map[string]any {
	t.Helper()
	var v map[string]any
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// full fails the test for keys that are missing or empty.
func full(t *testing.T, what string, v map[string]any, keys ...string) {
	t.Helper()
	for _, k := range keys {
		switch is := v[k].(type) {
		case nil:
			t.Errorf("%s: no %s", what, k)
		case string:
			if is == "" {
				t.Errorf("%s: %s is empty", what, k)
			}
		case []any:
			if len(is) == 0 {
				t.Errorf("%s: %s is empty", what, k)
			}
		}
	}
}

// What the specifications require is there. They are named beside each part; their
// texts are from memory.
func TestMetadata(t *testing.T) {
	got := described(t, publication(), nil)

	// Frictionless Data Package v1: name and resources are required; a licence has
	// name or path, a contributor a title; created is RFC 3339.
	pack := parse(t, got["datapackage.json"])
	full(t, "data package", pack, "name", "resources", "licenses", "contributors", "title", "id", "version", "build", "method_version", "timezone", "inputs")
	if pack["method_version"] != "7" || pack["timezone"] != "Europe/Dublin" || pack["title"] != publication().Title {
		t.Errorf("data package: %v, %v, %v", pack["method_version"], pack["timezone"], pack["title"])
	}
	if _, err := time.Parse(time.RFC3339, pack["created"].(string)); err != nil {
		t.Error(err)
	}
	full(t, "licence", pack["licenses"].([]any)[0].(map[string]any), "name", "path")
	if c := pack["contributors"].([]any)[0].(map[string]any); c["title"] != "Ash Alder" || c["path"] != "https://orcid.org/0000-0002-1825-0097" {
		t.Errorf("contributor %v", c)
	}

	// DataCite Metadata Schema 4: identifier, creators, titles, publisher,
	// publicationYear and resourceTypeGeneral are mandatory.
	cite := parse(t, got["datacite.json"])
	full(t, "DataCite", cite, "doi", "creators", "titles", "publisher", "publicationYear", "types", "schemaVersion", "rightsList", "fundingReferences")
	full(t, "DataCite types", cite["types"].(map[string]any), "resourceTypeGeneral")
	full(t, "DataCite publisher", cite["publisher"].(map[string]any), "name")
	for i, kind := range []string{"Personal", "Organizational"} {
		c := cite["creators"].([]any)[i].(map[string]any)
		full(t, "DataCite creator", c, "name")
		if c["nameType"] != kind {
			t.Errorf("creator %v, want %s", c, kind)
		}
	}
	if cite["publicationYear"] != "2026" || !strings.Contains(string(got["datacite.json"]), `"rightsIdentifier": "cc-by-4.0"`) {
		t.Errorf("DataCite: %s", got["datacite.json"])
	}

	// Citation File Format 1.2.0: cff-version, message, title and authors are
	// required. Each line is a key and a text that JSON and YAML write alike.
	keys := map[string]string{}
	for _, line := range strings.Split(strings.TrimSpace(string(got["CITATION.cff"])), "\n") {
		key, value, ok := strings.Cut(line, ": ")
		if line == "authors:" {
			continue
		}
		var text string
		if err := json.Unmarshal([]byte(value), &text); err != nil || !ok {
			t.Errorf("CITATION.cff: %s: %v", line, err)
		}
		keys[key] = text
	}
	for key, want := range map[string]string{
		"cff-version": "1.2.0", "message": "If you use this dataset, please cite it as below.", "title": publication().Title, "license": "CC-BY-4.0",
		"date-released": "2026-11-02", "doi": "10.1234/larch", "  - family-names": "Alder", "    given-names": "Ash", "  - name": "The Larch Group", "type": "dataset",
	} {
		if keys[key] != want {
			t.Errorf("CITATION.cff: %s is %q, want %q", key, keys[key], want)
		}
	}

	// RO-Crate 1.1: the descriptor has conformsTo and about; the root has name,
	// description, datePublished and license; what hasPart names is in the graph and
	// in the folder; every reference leads to an entity.
	crate := parse(t, got["ro-crate-metadata.json"])
	if crate["@context"] != "https://w3id.org/ro/crate/1.1/context" {
		t.Errorf("context %v", crate["@context"])
	}
	entities := map[string]map[string]any{}
	for _, e := range crate["@graph"].([]any) {
		entity := e.(map[string]any)
		full(t, "entity", entity, "@id", "@type")
		if entities[entity["@id"].(string)] != nil {
			t.Errorf("%v is there twice", entity["@id"])
		}
		entities[entity["@id"].(string)] = entity
	}
	descriptor, root := entities["ro-crate-metadata.json"], entities["./"]
	full(t, "descriptor", descriptor, "conformsTo", "about")
	full(t, "root", root, "name", "description", "datePublished", "license", "author", "hasPart", "publisher", "funding")
	var named []string
	var follow func(v any)
	follow = func(v any) {
		switch is := v.(type) {
		case map[string]any:
			id, ok := is["@id"].(string)
			if ok && len(is) == 1 && entities[id] == nil && !strings.HasPrefix(id, "https://w3id.org/") {
				t.Errorf("%s leads nowhere", id)
			}
			for _, x := range is {
				follow(x)
			}
		case []any:
			for _, x := range is {
				follow(x)
			}
		}
	}
	follow(crate["@graph"])
	for _, part := range root["hasPart"].([]any) {
		named = append(named, part.(map[string]any)["@id"].(string))
	}
	for name := range got {
		if name != "ro-crate-metadata.json" && !slices.Contains(named, name) {
			t.Errorf("%s is not in the crate", name)
		}
		if !Known(name) {
			t.Errorf("%s is not known as a package's", name)
		}
	}
	for _, name := range named {
		if got[name] == nil {
			t.Errorf("%s is in the crate and not in the folder", name)
		}
	}

	readme := string(got["README.md"])
	for _, want := range []string{
		`# Larch Row: "a winter"`, "| [events.csv](events.csv) | 2 |", "`heat_u95_kwh` | number | kW.h |", "Method version 7.", "greywatt test build", "study file: `abcd`",
		"time zone Europe/Dublin", `Cite as: Alder, Ash; The Larch Group (2026): Larch Row: "a winter". Version 1.1. Archive of the Larch. https://doi.org/10.1234/larch`, "Funded by Fund for Rows R-17.",
	} {
		if !strings.Contains(readme, want) {
			t.Errorf("README.md has no %q in it", want)
		}
	}

	rows, err := csv.NewReader(bytes.NewReader(got["journal.csv"])).ReadAll()
	if err != nil || len(rows) != 3 || rows[1][0] != "f1" || rows[2][0] != "f4" || !strings.Contains(rows[2][9], "effectiveness = 0.57") {
		t.Errorf("journal.csv: %v, %v", rows, err)
	}
	for name, text := range got {
		for _, never := range []string{"Kim", "sn-4711", "NaN"} {
			if bytes.Contains(text, []byte(never)) {
				t.Errorf("%s in %s", never, name)
			}
		}
	}
}

// Without [dataset] nobody is named, and README.md says so.
func TestNoMetadata(t *testing.T) {
	got := described(t, greywatt.Publication{}, nil)
	for _, name := range metadataFiles {
		if got[name] != nil {
			t.Errorf("%s is there", name)
		}
	}
	if !strings.Contains(string(got["README.md"]), "None is stated") || !strings.Contains(string(got["README.md"]), "# secret name") {
		t.Errorf("README.md: %s", got["README.md"])
	}
}

// What is published has neither the study's name, zone nor inputs, nor the tables
// that tell dwellings apart.
func TestHiddenMetadata(t *testing.T) {
	got := described(t, publication(), &Disclosure{Key: pseudonym.Key{1}, Coarsen: Day})
	for name, text := range got {
		for _, never := range []string{"secret name", "Dublin", "abcd", "larch-04", "birch-11", "2026-01-04"} {
			if bytes.Contains(text, []byte(never)) {
				t.Errorf("%s in %s", never, name)
			}
		}
		if slices.Contains(Naming, name) {
			t.Errorf("%s is there", name)
		}
	}
	if !strings.Contains(string(got["README.md"]), "A time is the day that it lies in") || !strings.Contains(string(got["CITATION.cff"]), "Alder") {
		t.Errorf("README.md: %s", got["README.md"])
	}
}
