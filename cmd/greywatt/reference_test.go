package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/recipe"
	"greywatt/ingest/store"
	"greywatt/ingest/studyfile"
	"greywatt/plots"
	"greywatt/plots/wording"
)

// REFERENCE.md is written by this test from the code's own tables and
// constants: -update rewrites it, and without that it must be as it would be
// written.
func TestReference(t *testing.T) {
	var r reference
	r.line("# Reference\n")
	r.line("Made from the code by `go test ./cmd/greywatt -run Reference -update`; do not edit. What a word means is in the")
	r.line("[glossary](../../GLOSSARY.md), how a figure comes about in the [method](../../analysis/METHOD.md).\n")
	r.commands()
	r.variables(t)
	r.studyFile()
	r.recipeFile()
	codes := parsePackage(t, "analysis/finding").terms(t, "Code")
	events := parsePackage(t, "analysis/event")
	r.dataset(t, codes)
	r.json(t, parsePackage(t, "cmd/greywatt"))
	r.terms("Kinds of event", "in `events.csv`, and for `--kind`", events.terms(t, "Kind"))
	r.flags(t, events.terms(t, "Flag"))
	r.terms("Findings", "in `findings.csv`, with what they rest on in [METHOD.md](../../analysis/METHOD.md#findings)", codes)
	r.terms("Facts", "of the journal, kept by `greywatt note`; `greywatt notes` lists them", parsePackage(t, ".").terms(t, "FactKind"))
	r.factKeys()
	r.terms("Alarms", "of the guard, while `run` logs; `greywatt alarms` lists them", parsePackage(t, "analysis/monitor").terms(t, "AlarmKind"))
	r.terms("Verdicts of commission", "", parsePackage(t, "analysis/commission").terms(t, "Verdict"))
	r.terms("Verdicts on cleaning", "of `greywatt trend`", parsePackage(t, "analysis/cleaning").terms(t, "Verdict"))
	r.inputs(events.list(t, "InputNames"))
	vocabulary := parsePackage(t, ".")
	r.terms("Reasons for which a record is rejected", "`greywatt rejected` lists them, `/metrics` counts them", parsePackage(t, "ingest").terms(t, "Reason"))
	r.terms("Connections", "", vocabulary.terms(t, "Connection"))
	r.channels(vocabulary.counted(t, "Channel"))
	r.metrics(parsePackage(t, "cmd/greywatt/internal/live").metrics(t))
	r.presets()
	r.chartKinds(t)

	got := r.text.String()
	if *update {
		if err := os.WriteFile("REFERENCE.md", []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := os.ReadFile("REFERENCE.md")
	if err != nil {
		t.Fatal(err)
	}
	if got != string(kept) {
		t.Errorf("REFERENCE.md is stale; after a look at the difference, go test -run Reference -update\n%s", firstDifference(got, string(kept)))
	}
}

// A reference is the document as it grows.
type reference struct{ text strings.Builder }

func (r *reference) line(format string, a ...any) { fmt.Fprintf(&r.text, format+"\n", a...) }

var inTable = strings.NewReplacer("|", `\|`, "<", `\<`)

// table writes a table whose cells are plain text.
func (r *reference) table(heads []string, rows [][]string) {
	r.line("| %s |", strings.Join(heads, " | "))
	r.line("|%s", strings.Repeat("---|", len(heads)))
	for _, row := range rows {
		cells := make([]string, len(row))
		for i, c := range row {
			cells[i] = inTable.Replace(c)
		}
		r.line("| %s |", strings.Join(cells, " | "))
	}
	r.line("")
}

// quote writes a word as code, nothing where there is none.
func quote(word string) string {
	if word == "" {
		return ""
	}
	return "`" + word + "`"
}

func (r *reference) commands() {
	r.line("## Commands\n")
	for _, c := range commands() {
		r.line("- [`%s`](#%s): %s", c.Name, c.Name, c.Summary)
	}
	r.line("\n`greywatt help COMMAND` explains each. Every flag can come from a variable: `--data` from `%s`, and so on; a flag", cli.Variable("data"))
	r.line("given on the line wins. `greywatt --version` names the build on a line.\n")
	rows := [][]string{}
	var codes []int
	for code := range cli.ExitMeanings {
		codes = append(codes, code)
	}
	slices.Sort(codes)
	for _, code := range codes {
		rows = append(rows, []string{fmt.Sprint(code), cli.ExitMeanings[code]})
	}
	r.table([]string{"exit code", "meaning"}, rows)
	for _, c := range commands() {
		r.line("### %s\n", c.Name)
		r.line("`%s`\n", strings.TrimSpace("greywatt "+c.Name+" "+c.Operands))
		r.line("%s.\n", strings.ToUpper(c.Summary[:1])+c.Summary[1:])
		codes := append([]int{cli.ExitDone, cli.ExitFailure, cli.ExitUsage}, c.Codes...)
		slices.Sort(codes)
		rows := [][]string{}
		c.Flags().VisitAll(func(f *pflag.Flag) {
			operand, usage := pflag.UnquoteUsage(f)
			if f.Value.Type() == "bool" {
				operand = ""
			}
			values := quote(operand)
			if words := f.Annotations[cli.ChoicesOf]; words != nil {
				values += ": " + strings.Join(words, ", ")
			}
			def := strings.Trim(f.DefValue, "[]")
			if f.Value.Type() == "bool" {
				def = ""
			}
			rows = append(rows, []string{quote("--" + f.Name), values, quote(def), usage})
		})
		if len(rows) > 0 {
			r.table([]string{"flag", "takes", "default", "meaning"}, rows)
		}
		words := make([]string, len(codes))
		for i, code := range codes {
			words[i] = fmt.Sprint(code)
		}
		r.line("Exit codes: %s.\n", strings.Join(words, ", "))
	}
}

// secretVariables are the variables that stand for no flag.
var secretVariables = map[string]string{
	logger.PasswordVariable:     "password for the broker of `--broker`; `--password-file` wins",
	logger.PagePasswordVariable: "password of the page; `--http-password-file` wins",
	site.InfluxTokenVariable:    "token for the InfluxDB server; `--influx-token-file` wins",
}

func (r *reference) variables(t *testing.T) {
	r.line("## Variables that stand for no flag\n")
	rows := [][]string{}
	for name, meaning := range secretVariables {
		rows = append(rows, []string{quote(name), meaning})
	}
	slices.SortFunc(rows, func(a, b []string) int { return cmp.Compare(a[0], b[0]) })
	r.table([]string{"variable", "meaning"}, rows)
	whole := regexp.MustCompile(`"GREYWATT_[A-Z_]+"`)
	for name, text := range texts(t, ".go") {
		if !strings.HasPrefix(name, "cmd/greywatt/") || strings.HasSuffix(name, "_test.go") {
			continue
		}
		for _, found := range whole.FindAllString(text, -1) {
			if secretVariables[strings.Trim(found, `"`)] == "" {
				t.Errorf("%s uses the variable %s, which secretVariables does not explain", name, found)
			}
		}
	}
}

func (r *reference) studyFile() {
	r.line("## The study file\n")
	r.line("TOML 1.0, UTF-8. An example is [study.toml](../../testdata/study.toml); `greywatt check` names every mistake in one,")
	r.line("`greywatt help study-file` says what stands here.")
	r.line("`dwelling` is a list of tables, and in each `exchanger.rated`, `sensor` and `cleaned` are; so are `dataset.contributor` and")
	r.line("`dataset.funding`. Where there is a `[dataset]` its required keys must be there.\n")
	rows := [][]string{}
	for _, k := range studyfile.Keys() {
		def := quote(k.Default)
		if k.Required {
			def = "**required**"
		}
		rows = append(rows, []string{quote(k.Path), k.Type, def, k.Range, k.Meaning})
	}
	r.table([]string{"key", "type", "default", "must be", "meaning"}, rows)

	r.line("### Defaults, groups and a table of dwellings\n")
	r.line("`[defaults]` and `[group.NAME]` have the keys of a dwelling, without `id` and `cleaned`. `study.dwellings` names a CSV file in the")
	r.line("folder of the study file: a header, then a row a dwelling; an empty cell states nothing. A key is taken from the dwelling itself,")
	r.line("else from its row, else from its group, else from the defaults. `greywatt help study-file` has an example.\n")
	rows = [][]string{}
	perSensor := map[string]bool{}
	for _, c := range studyfile.Columns() {
		name := quote(c.Name)
		if strings.HasPrefix(c.Key, "dwelling.sensor.") {
			if perSensor[c.Key] {
				continue
			}
			perSensor[c.Key] = true
			name += " and so on: channel and key"
		}
		rows = append(rows, []string{name, quote(c.Key), map[string]string{
			"points": "flow and effectiveness of each point, such as 7.0:0.62;9.5:0.57", "days": "days, such as 2026-03-02;2026-06-02",
		}[c.Type]})
		if kind := &rows[len(rows)-1][2]; *kind == "" {
			*kind = c.Type
		}
	}
	r.table([]string{"column", "key", "holds"}, rows)
}

func (r *reference) recipeFile() {
	r.line("## Recipes\n")
	r.line("TOML: a file of its own for `greywatt import --recipe`, or a table `[recipe]` of the study file, several as `[[recipe]]`.")
	r.line("`channel` is a list of tables. `greywatt help recipe-file` has examples. The zoo in [ingest/recipe/testdata](../../ingest/recipe/testdata/zoo)")
	r.line("has a recipe for each of some twenty formats.\n")
	rows := [][]string{}
	for _, k := range recipe.Keys() {
		rows = append(rows, []string{quote(k.Path), k.Type, k.Meaning})
	}
	r.table([]string{"key", "type", "meaning"}, rows)
}

func (r *reference) dataset(t *testing.T, findings []namedWord) {
	dir := t.TempDir()
	if err := dataset.New(&greywatt.Study{}, "", "").Write(dir); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "datapackage.json"))
	if err != nil {
		t.Fatal(err)
	}
	var pack struct {
		Resources []struct {
			Path, Description string
			Schema            struct {
				PrimaryKey []string
				Fields     []struct {
					Name, Type, Unit, Description string
					Constraints                   struct {
						Required bool
						Enum     []string
					}
				}
			}
		}
	}
	if err := json.Unmarshal(text, &pack); err != nil {
		t.Fatal(err)
	}
	r.line("## The dataset\n")
	r.line("What `greywatt export` writes. Units are UCUM codes; times are RFC 3339 in UTC. An empty cell is not known. Every u95 is")
	r.line("an expanded uncertainty, k = 2. `events.parquet` has the columns of `events.csv`, with types. `README.md` is for readers of the")
	r.line("dataset. Where the study file has `[dataset]` there are `CITATION.cff`, `datacite.json` and `ro-crate-metadata.json` too. What")
	r.line("hides anything (`--public`, `--pseudonyms`) has no dwellings.csv, monthly.csv, uncertainty.csv, yearly.csv, work.csv and journal.csv,")
	r.line("and has risk.csv: `attack` and `knows` say what somebody may know of one home, `dwellings` how many there are in the dataset,")
	r.line("`singled_out` how many of them that alone points at, `smallest_group` how many are alike in the smallest group. With `--public` a finding")
	r.line("that too few dwellings share is `withheld`, and so are flags that tell them apart, dates in the evidence and the trend's segments.\n")
	for _, res := range pack.Resources {
		r.line("### %s\n\n%s. A row is known by %s.\n", res.Path, res.Description, strings.Join(res.Schema.PrimaryKey, " and "))
		rows := [][]string{}
		for _, f := range res.Schema.Fields {
			kind := f.Type
			if f.Constraints.Required {
				kind += ", never empty"
			}
			if f.Name == "finding" && len(f.Constraints.Enum) != len(findings) {
				t.Errorf("%s allows %d findings, and there are %d", res.Path, len(f.Constraints.Enum), len(findings))
			}
			meaning := f.Description
			if f.Constraints.Enum != nil && len(f.Constraints.Enum) < 5 {
				meaning += " (" + strings.Join(f.Constraints.Enum, ", ") + ")"
			}
			rows = append(rows, []string{quote(f.Name), kind, f.Unit, meaning})
		}
		r.table([]string{"column", "type", "unit", "meaning"}, rows)
	}
	query, err := os.ReadFile("internal/dataset/uncertainty.sql")
	if err != nil {
		t.Fatal(err)
	}
	r.line("How a reader gets a study's uncertainty from these files, in SQL; a test runs it:\n\n```sql\n%s```\n", query)
}

// terms writes the words of one type. A word without a meaning has its comment
// missing beside its constant.
func (r *reference) terms(head, where string, words []namedWord) {
	r.line("## %s\n", head)
	if where != "" {
		r.line("%s.\n", strings.ToUpper(where[:1])+where[1:])
	}
	rows := [][]string{}
	for _, w := range words {
		rows = append(rows, []string{quote(w.word), w.meaning})
	}
	r.table([]string{"word", "meaning"}, rows)
}

func (r *reference) flags(t *testing.T, flags []namedWord) {
	for i, f := range flags {
		flags[i].meaning = wording.Flag(event.Flag(f.word))
		if flags[i].meaning == strings.ReplaceAll(f.word, "-", " ") {
			t.Errorf("flag %s has no words in package plots", f.word)
		}
	}
	r.terms("Flags", "why a figure of an event is missing or weak: column `flags` of `events.csv`", flags)
}

// factKeys writes what keys the journal's facts have.
func (r *reference) factKeys() {
	r.line("### Keys of a fact\n")
	r.line("The journal is TOML: a list of tables `[[fact]]`. `greywatt note` writes them, with a flag for each key; in the page, forms do.\n")
	rows := [][]string{}
	for _, k := range studyfile.FactKeys() {
		var needed, may []string
		for _, kind := range greywatt.FactKinds {
			switch must, can := k.For(kind); {
			case must:
				needed = append(needed, quote(string(kind)))
			case can:
				may = append(may, quote(string(kind)))
			}
		}
		if k.Must {
			needed = []string{"every kind"}
		}
		if k.All {
			may = []string{"every other kind"}
			if len(needed) == 0 {
				may = []string{"every kind"}
			}
		}
		rows = append(rows, []string{quote(k.Name), k.Type, strings.Join(needed, ", "), strings.Join(may, ", "), k.Meaning})
	}
	r.table([]string{"key", "type", "needed by", "may be there", "meaning"}, rows)
}

func (r *reference) inputs(names []string) {
	r.line("## Inputs of a budget\n")
	r.line("What `greywatt budget` splits an uncertainty into: %s. The heat has its ends of flow and the response of both clamps besides.\n",
		strings.Join(names, ", "))
}

func (r *reference) channels(meanings []string) {
	r.line("## Channels\n")
	rows := [][]string{}
	for c := range greywatt.Channel(greywatt.NumChannels) {
		needed := "yes"
		if c.Optional() {
			needed = "no"
		}
		rows = append(rows, []string{quote(c.String()), meanings[c], needed})
	}
	r.table([]string{"channel", "stored in, and where it sits", "needed"}, rows)
}

func (r *reference) metrics(metrics []metric) {
	r.line("## Metrics\n")
	r.line("What `/metrics` of the page answers, in the text format of Prometheus; none names a dwelling.\n")
	slices.SortFunc(metrics, func(a, b metric) int { return cmp.Compare(a.name, b.name) })
	rows := [][]string{}
	for _, m := range metrics {
		rows = append(rows, []string{quote(m.name), m.kind, m.labels, m.help})
	}
	r.table([]string{"metric", "type", "labels", "meaning"}, rows)
}

func (r *reference) presets() {
	r.line("## Presets of simulate\n")
	r.line("%s. What each is stands in `greywatt help simulate`.\n", strings.Join(presetNames(), ", "))
}

func (r *reference) chartKinds(t *testing.T) {
	r.line("## Charts\n")
	r.line("Of package `plots`; `chart`, `trend --chart`, `commission --sheet`, `report` and the page draw them. Formats: %s.\n",
		strings.Join([]string{string(plots.SVG), string(plots.PNG), string(plots.PDF)}, ", "))
	rows := [][]string{}
	for _, c := range parsePackage(t, "plots").charts(t) {
		rows = append(rows, []string{c.word, c.meaning})
	}
	r.table([]string{"chart", "what it is"}, rows)
}

// Every word has a meaning, and the page has words for every reason.
func TestVocabularyIsExplained(t *testing.T) {
	rootCode := parsePackage(t, ".")
	if said, reasons := parsePackage(t, "cmd/greywatt/internal/live").size(t, "reasonWords"), parsePackage(t, "ingest").terms(t, "Reason"); said != len(reasons) {
		t.Errorf("the page has words for %d reasons, and there are %d", said, len(reasons))
	}
	for _, words := range [][]namedWord{
		parsePackage(t, "analysis/event").terms(t, "Kind"), parsePackage(t, "analysis/finding").terms(t, "Code"),
		parsePackage(t, "analysis/monitor").terms(t, "AlarmKind"), parsePackage(t, "analysis/commission").terms(t, "Verdict"),
		parsePackage(t, "analysis/cleaning").terms(t, "Verdict"), parsePackage(t, "ingest").terms(t, "Reason"), rootCode.terms(t, "Connection"),
	} {
		for _, w := range words {
			if w.meaning == "" {
				t.Errorf("%q has no comment beside its constant", w.word)
			}
		}
	}
}

// What the page answers to /metrics is what the code says, names and types; a
// collector without a sample yet answers nothing.
func TestMetricsAreListed(t *testing.T) {
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	page := live.New(live.Config{
		Study: &greywatt.Study{Timezone: time.UTC}, Log: st, Rejected: st,
		Ingest: func() mqttsource.Status { return mqttsource.Status{} },
		Link:   func() live.Link { return live.Link{} },
		Mirror: func() live.Mirror { return live.Mirror{} },
	})
	answer := httptest.NewRecorder()
	page.Handler().ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/metrics", nil))
	listed := map[string]string{}
	for _, m := range parsePackage(t, "cmd/greywatt/internal/live").metrics(t) {
		listed[m.name] = m.kind
	}
	served := regexp.MustCompile(`(?m)^# TYPE (\S+) (\S+)$`).FindAllStringSubmatch(answer.Body.String(), -1)
	if len(served) < len(listed)/2 {
		t.Errorf("%d metrics served, %d listed:\n%s", len(served), len(listed), answer.Body)
	}
	for _, m := range served {
		if listed[m[1]] != m[2] {
			t.Errorf("served as %s %s, listed as %q", m[2], m[1], listed[m[1]])
		}
	}
}
