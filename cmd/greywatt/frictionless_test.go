package main

import (
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"greywatt/cmd/greywatt/internal/cli"
)

// A dataset keeps the rules of the Tabular Data Package specification: by its own
// JSON Schema (testdata/schemas says whence) through a JSON Schema library, and its
// tables by a second reading of what they declare, which knows the specification
// only, from memory: https://specs.frictionlessdata.io/table-schema/.
func TestDatasetKeepsFrictionlessRules(t *testing.T) {
	rules := compiled(t, "testdata/schemas/tabular-data-package.json")
	dir, flags := simulated(t)
	for name, more := range map[string][]string{
		"whole":      nil,
		"pseudonyms": {"--pseudonyms"},
		"public":     {"--public", "--min-group", "1"},
	} {
		t.Run(name, func(t *testing.T) {
			out := filepath.Join(dir, name)
			invoke(t, cli.ExitDone, append(append([]string{"export", "--out", out}, flags...), more...)...)
			text := readFile(t, out, "datapackage.json")
			value, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			if err := rules.Validate(value); err != nil {
				t.Errorf("datapackage.json: %v", err)
			}
			var described frictionlessPackage
			if err := json.Unmarshal([]byte(text), &described); err != nil {
				t.Fatal(err)
			}
			if mistakes := described.check(out); len(mistakes) > 0 {
				t.Errorf("%d mistakes:\n%s", len(mistakes), strings.Join(mistakes[:min(10, len(mistakes))], "\n"))
			}
		})
	}
}

// The check finds what it is for, in a table and in a description.
func TestFrictionlessCheckFinds(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for want, table := range map[string]string{
		"header":     "id,y,n\nx,1.5,1\n",
		"number":     "id,x,n\na,one,1\n",
		"integer":    "id,x,n\na,1.5,1.5\n",
		"required":   "id,x,n\na,,1\n",
		"key":        "id,x,n\na,1,1\na,2,1\n",
		"reference":  "id,x,n\na,1,7\n",
		"enumerated": "id,x,n\nz,1,1\n",
		"":           "id,x,n\na,1.5,1\nb,1e-3,\n",
	} {
		write("t.csv", table)
		write("other.csv", "n\n1\n")
		var p frictionlessPackage
		if err := json.Unmarshal([]byte(`{"resources":[
			{"name":"t","path":"t.csv","schema":{"missingValues":[""],"primaryKey":["id"],"foreignKeys":[{"fields":"n","reference":{"resource":"other","fields":"n"}}],"fields":[
				{"name":"id","type":"string","constraints":{"enum":["a","b"]}},{"name":"x","type":"number","constraints":{"required":true}},{"name":"n","type":"integer"}]}},
			{"name":"other","path":"other.csv","schema":{"missingValues":[""],"fields":[{"name":"n","type":"integer"}]}}]}`), &p); err != nil {
			t.Fatal(err)
		}
		got := strings.Join(p.check(dir), "\n")
		if want == "" && got != "" || want != "" && !strings.Contains(got, want) {
			t.Errorf("of %q: %q, want %q", table, got, want)
		}
	}
	whole := compiled(t, "testdata/schemas/tabular-data-package.json")
	for _, bad := range []string{`{}`, `{"profile":"tabular-data-package","resources":[]}`, `{"profile":"tabular-data-package","resources":[{"name":"A name","path":"a.csv","schema":{"fields":[{"name":"x"}]},"profile":"tabular-data-resource"}]}`} {
		value, err := jsonschema.UnmarshalJSON(strings.NewReader(bad))
		if err != nil {
			t.Fatal(err)
		}
		if whole.Validate(value) == nil {
			t.Errorf("%s is taken for a package", bad)
		}
	}
}

func compiled(t *testing.T, path string) *jsonschema.Schema {
	t.Helper()
	s, err := jsonschema.NewCompiler().Compile(path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

type frictionlessPackage struct {
	Resources []struct {
		Name, Path, Hash string
		Bytes            int64
		Schema           struct {
			MissingValues []string
			PrimaryKey    []string
			ForeignKeys   []struct {
				Fields    string
				Reference struct{ Resource, Fields string }
			}
			Fields []frictionlessField
		}
	}
}

type frictionlessField struct {
	Name, Type, Format string
	Constraints        struct {
		Required, Unique bool
		Enum             []any
		Minimum, Maximum *float64
		Pattern          string
	}
}

// wrong returns why a cell is no value of the field; empty: it is one.
func (f *frictionlessField) wrong(cell string, missing []string) string {
	c := &f.Constraints
	if slices.Contains(missing, cell) {
		if c.Required {
			return "required"
		}
		return ""
	}
	// The lexical forms of the specification: no spaces, no grouping.
	forms := map[string]string{
		"string":  `(?s).*`,
		"number":  `[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?|NaN|-?INF`,
		"integer": `[+-]?\d+`,
		"boolean": `true|True|TRUE|1|false|False|FALSE|0`,
		"date":    `\d{4}-\d\d-\d\d`,
		"year":    `\d{4}`, "yearmonth": `\d{4}-\d\d`,
		"datetime": `\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z`,
	}
	form, ok := forms[f.Type]
	if !ok {
		return "no type " + f.Type
	}
	if !regexp.MustCompile(`^(` + form + `)$`).MatchString(cell) {
		return "not of type " + f.Type
	}
	switch f.Type {
	case "datetime":
		if _, err := time.Parse(time.RFC3339Nano, cell); err != nil {
			return err.Error()
		}
	case "date":
		if _, err := time.Parse(time.DateOnly, cell); err != nil {
			return err.Error()
		}
	case "number", "integer":
		v, err := strconv.ParseFloat(cell, 64)
		if err != nil || c.Minimum != nil && v < *c.Minimum || c.Maximum != nil && v > *c.Maximum {
			return "number out of its range"
		}
	}
	if len(c.Enum) > 0 && !slices.ContainsFunc(c.Enum, func(v any) bool { return fmt.Sprint(v) == cell }) {
		return "none of the enumerated"
	}
	if c.Pattern != "" && !regexp.MustCompile(`^(`+c.Pattern+`)$`).MatchString(cell) {
		return "not of the pattern"
	}
	return ""
}

// check returns what is against the description in the package's tables.
func (p *frictionlessPackage) check(dir string) (mistakes []string) {
	values := map[string]map[string]map[string]bool{} // by resource and field
	say := func(format string, args ...any) { mistakes = append(mistakes, fmt.Sprintf(format, args...)) }
	for _, r := range p.Resources {
		text, err := os.ReadFile(filepath.Join(dir, r.Path))
		if err != nil {
			say("%s: %v", r.Name, err)
			continue
		}
		sum := sha256.Sum256(text)
		if r.Hash != "" && r.Hash != "sha256:"+hex.EncodeToString(sum[:]) || r.Bytes != 0 && r.Bytes != int64(len(text)) {
			say("%s: %d bytes with another hash than stated", r.Name, len(text))
		}
		rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
		if err != nil || len(rows) == 0 {
			say("%s: %d rows, %v", r.Name, len(rows), err)
			continue
		}
		fields := r.Schema.Fields
		if !slices.EqualFunc(rows[0], fields, func(head string, f frictionlessField) bool { return head == f.Name }) {
			say("%s: header %v", r.Name, rows[0])
			continue
		}
		seen := map[string]map[string]bool{}
		values[r.Name] = seen
		keys := map[string]bool{}
		for n, row := range rows[1:] {
			var key []string
			for i := range fields {
				f := &fields[i]
				if why := f.wrong(row[i], r.Schema.MissingValues); why != "" {
					say("%s, row %d, %s: %q: %s", r.Name, n+1, f.Name, row[i], why)
				}
				if seen[f.Name] == nil {
					seen[f.Name] = map[string]bool{}
				}
				if f.Constraints.Unique && seen[f.Name][row[i]] {
					say("%s, row %d, %s: %q twice", r.Name, n+1, f.Name, row[i])
				}
				seen[f.Name][row[i]] = true
				if slices.Contains(r.Schema.PrimaryKey, f.Name) {
					key = append(key, row[i])
				}
			}
			if len(r.Schema.PrimaryKey) == 0 {
				continue
			}
			if k := strings.Join(key, "\x00"); keys[k] || len(key) != len(r.Schema.PrimaryKey) {
				say("%s, row %d: the key %q is not its own", r.Name, n+1, key)
			} else {
				keys[k] = true
			}
		}
	}
	for _, r := range p.Resources {
		for _, k := range r.Schema.ForeignKeys {
			for v := range values[r.Name][k.Fields] {
				if !slices.Contains(r.Schema.MissingValues, v) && !values[k.Reference.Resource][k.Reference.Fields][v] {
					say("%s: %s %q: the reference to %s leads nowhere", r.Name, k.Fields, v, k.Reference.Resource)
				}
			}
		}
	}
	return mistakes
}
