package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// The arrows between packages. A pattern is an import path, or a path and
// "/..." for all below it and itself. What a test imports does not count.
var arrows = []struct {
	from   string
	except string // packages of from that may
	never  []string
	direct bool // only what is imported directly; else also what that imports
	why    string
}{
	{from: "greywatt", never: []string{"greywatt/ingest/...", "greywatt/analysis/...", "greywatt/plots/...", "greywatt/cmd/..."},
		why: "the vocabulary knows neither storage nor physics"},
	{from: "greywatt", never: []string{"net", "net/http", "os", "io", "log/slog"}, direct: true,
		why: "the vocabulary does no I/O"},
	{from: "greywatt", never: []string{outside}, direct: true,
		why: "the vocabulary stands on the standard library alone"},
	{from: "greywatt/ingest", never: []string{outside, "greywatt/ingest/..."},
		why: "the contract of the stores knows the vocabulary only"},
	{from: "greywatt/ingest/studyfile", never: []string{"net", "net/http", "os", "log/slog"}, direct: true,
		why: "the study file is read from an io.Reader"},
	{from: "greywatt/ingest/journal", never: []string{"greywatt/ingest/payload", "greywatt/ingest/store", "greywatt/ingest/files", "greywatt/ingest/broker", "greywatt/ingest/mqttsource", "greywatt/ingest/influx"},
		why: "siblings in ingest meet in the command"},
	{from: "greywatt/ingest/...", never: []string{"greywatt/analysis/...", "greywatt/plots/...", "greywatt/cmd/..."},
		why: "logging must not stop because the science changed"},
	{from: "greywatt/ingest/payload", never: []string{"net", "net/http", "os", "log/slog", "time/tzdata"}, direct: true,
		why: "decoding is pure: bytes in, readings out"},
	{from: "greywatt/ingest/payload", never: []string{"greywatt/ingest/store", "greywatt/ingest/mqttsource", "greywatt/ingest/broker", "greywatt/ingest/files", "greywatt/ingest/influx"},
		why: "siblings in ingest meet in the command"},
	{from: "greywatt/ingest/store", never: []string{"greywatt/ingest/payload", "greywatt/ingest/mqttsource", "greywatt/ingest/broker", "greywatt/ingest/files", "greywatt/ingest/influx"},
		why: "siblings in ingest meet in the command"},
	{from: "greywatt/ingest/broker", never: []string{"greywatt/ingest/store", "greywatt/ingest/mqttsource", "greywatt/ingest/files", "greywatt/ingest/influx"},
		why: "siblings in ingest meet in the command"},
	{from: "greywatt/ingest/mqttsource", never: []string{"greywatt/ingest/store", "greywatt/ingest/broker", "greywatt/ingest/files", "greywatt/ingest/influx"},
		why: "siblings in ingest meet in the command; the topics and packs are payload's"},
	{from: "greywatt/ingest/influx", never: []string{"greywatt/ingest/payload", "greywatt/ingest/store", "greywatt/ingest/broker", "greywatt/ingest/mqttsource", "greywatt/ingest/files"},
		why: "siblings in ingest meet in the command"},
	{from: "greywatt/ingest/files", never: []string{"greywatt/ingest/store", "greywatt/ingest/broker", "greywatt/ingest/mqttsource", "greywatt/ingest/influx"},
		why: "siblings in ingest meet in the command; the packs are payload's"},
	{from: "greywatt/ingest/recipe/...", never: []string{"greywatt/ingest/store", "greywatt/ingest/broker", "greywatt/ingest/mqttsource", "greywatt/ingest/influx", "greywatt/ingest/files"},
		why: "siblings in ingest meet in the command"},
	{from: "greywatt/ingest/recipe/...", except: "greywatt/ingest/recipe/table", never: []string{"net", "net/http", "os", "log/slog", "time/tzdata"}, direct: true,
		why: "what data means is pure; only files are opened, by package table"},
	{from: "greywatt/analysis/...", never: []string{"os", "net", "net/http", "log/slog", "log", "math/rand"}, direct: true,
		why: "the analysis is pure: the same readings give the same bytes"},
	{from: "greywatt/analysis/...", never: []string{"net/http", "greywatt/ingest/...", "greywatt/plots/...", "greywatt/cmd/..."},
		why: "the analysis knows nothing of where readings come from"},
	{from: "greywatt/analysis/...", except: "greywatt/analysis/simulate", never: []string{"greywatt/analysis/simulate", "math/rand/v2"}, direct: true,
		why: "the analysis is not to know the simulator that scores it, and nothing in it is left to chance"},
	{from: "greywatt/analysis/simulate", never: []string{"greywatt/analysis", "greywatt/analysis/event", "greywatt/analysis/finding", "greywatt/analysis/monitor", "greywatt/analysis/commission", "greywatt/analysis/cleaning", "greywatt/analysis/summary", "greywatt/analysis/annual", "greywatt/analysis/completeness", "greywatt/analysis/zerocheck", "greywatt/analysis/robust", "greywatt/analysis/health", "greywatt/analysis/water", "greywatt/analysis/exchanger", "greywatt/analysis/clamp", "greywatt/analysis/draw", "greywatt/analysis/trend", "greywatt/analysis/uncert"},
		why: "an error in a shared formula would cancel in the score"},
	{from: "greywatt/analysis/event", never: []string{"greywatt/analysis", "greywatt/analysis/finding", "greywatt/analysis/monitor", "greywatt/analysis/commission", "greywatt/analysis/cleaning", "greywatt/analysis/summary", "greywatt/analysis/completeness", "greywatt/analysis/zerocheck", "greywatt/analysis/health", "greywatt/analysis/trend"},
		why: "an event is measured before anything is made of it"},
	{from: "greywatt/analysis/finding", never: []string{"greywatt/analysis", "greywatt/analysis/monitor", "greywatt/analysis/commission", "greywatt/analysis/cleaning", "greywatt/analysis/summary", "greywatt/analysis/completeness", "greywatt/analysis/zerocheck"},
		why: "decisions and sums follow from findings, not the other way"},
	{from: "greywatt/analysis/robust", never: []string{"greywatt/analysis", "greywatt/analysis/event", "greywatt/analysis/finding", "greywatt"},
		why: "statistics know nothing of showers"},
	{from: "greywatt/analysis/...", except: "greywatt/analysis", never: []string{"greywatt/analysis"}, direct: true,
		why: "the pipeline puts the parts together; no part knows it"},
	{from: "greywatt/plots/...", never: []string{"net/http", "greywatt/ingest/...", "greywatt/cmd/..."},
		why: "charts are drawn from results onto an io.Writer"},
}

// mayChance may use random numbers within the analysis: the Monte Carlo that
// checks uncertainties, from a seed.
const mayChance = "greywatt/analysis/uncert"

func TestArrows(t *testing.T) {
	packages := listPackages(t)
	for _, a := range arrows {
		matched := false
		for _, p := range packages {
			if !matches(p.ImportPath, a.from) || p.ImportPath == a.except {
				continue
			}
			matched = true
			imports := p.Deps
			if a.direct {
				imports = p.Imports
			}
			for _, path := range imports {
				if p.ImportPath == mayChance && path == "math/rand/v2" {
					continue
				}
				if slices.ContainsFunc(a.never, func(pattern string) bool { return matches(path, pattern) }) {
					t.Errorf("%s imports %s: %s", p.ImportPath, path, a.why)
				}
			}
		}
		if !matched {
			t.Errorf("no package matches %s: is the rule still needed?", a.from)
		}
	}
}

// Only the command and what lies beneath it may import what lies beneath it.
func TestNobodyImportsTheCommand(t *testing.T) {
	for _, p := range listPackages(t) {
		for _, path := range p.Imports {
			if matches(path, "greywatt/cmd/...") && !matches(p.ImportPath, "greywatt/cmd/...") {
				t.Errorf("%s imports %s: the arrows lead away from the command", p.ImportPath, path)
			}
		}
	}
}

// outside matches packages of other modules.
const outside = "outside this module and the standard library"

func matches(path, pattern string) bool {
	if pattern == outside {
		first, _, _ := strings.Cut(path, "/")
		return strings.Contains(first, ".")
	}
	if all, below := strings.CutSuffix(pattern, "/..."); below {
		return path == all || strings.HasPrefix(path, all+"/")
	}
	return path == pattern
}

type listed struct {
	ImportPath    string
	Imports, Deps []string
}

// listPackages asks the go command for the packages of this module.
func listPackages(t *testing.T) []listed {
	t.Helper()
	out, err := exec.Command("go", "list", "-e", "-json=ImportPath,Imports,Deps", "greywatt/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}
