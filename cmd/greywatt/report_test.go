package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/cmd/greywatt/internal/cli"
)

// greywattIn runs the program and returns its output; it fails the test where
// the exit code is another.
func greywattIn(t *testing.T, code int, args ...string) string {
	t.Helper()
	var out, errOut bytes.Buffer
	got := run(t.Context(), args, &cli.Console{
		In: strings.NewReader(""), Out: &out, Err: &errOut, Getenv: func(string) string { return "" }, Name: "greywatt",
	})
	if got != code {
		t.Fatalf("greywatt %s: exit code %d, want %d\n%s", strings.Join(args, " "), got, code, errOut.String())
	}
	if code != cli.ExitDone {
		return errOut.String()
	}
	return out.String()
}

// simulated makes a data folder of a few days and returns the flags for it.
func simulated(t *testing.T) (dir string, flags []string) {
	t.Helper()
	dir = t.TempDir()
	sim, data := filepath.Join(dir, "sim"), filepath.Join(dir, "data")
	greywattIn(t, cli.ExitDone, "simulate", "--out", sim, "--days", "8", "--seed", "2")
	study := filepath.Join(sim, "study.toml")
	files, err := filepath.Glob(filepath.Join(sim, "*.senml"))
	if err != nil {
		t.Fatal(err)
	}
	greywattIn(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	return dir, []string{"--study", study, "--data", data}
}

func readFile(t *testing.T, path ...string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(path...))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestReportIsTheSameForTheSameData(t *testing.T) {
	dir, flags := simulated(t)
	report := func(out string, more ...string) string {
		t.Helper()
		greywattIn(t, cli.ExitDone, append(append([]string{"report", "--out", filepath.Join(dir, out)}, flags...), more...)...)
		return readFile(t, dir, out, "report.html")
	}
	first := report("one")
	if report("two") != first {
		t.Error("a second report of the same data differs")
	}
	if strings.Contains(first, "hazel-0") {
		t.Error("a dwelling's id in a report with pseudonyms")
	}
	if strings.Contains(first, "<article") || !strings.Contains(report("pages", "--pages"), "<article") {
		t.Error("pages of dwellings are not there with --pages, and only then")
	}
	pdf := filepath.Join(dir, "report.pdf")
	report("files", "--files", "--pdf", pdf)
	for name, begins := range map[string]string{"report.pdf": "%PDF-", "files/distribution.svg": "<svg", "files/distribution.png": "\x89PNG", "files/distribution.csv": "dwelling,"} {
		if text := readFile(t, dir, name); !strings.HasPrefix(text, begins) || strings.Contains(text, "hazel-0") {
			t.Errorf("%s begins with %.20q", name, text)
		}
	}
	greywattIn(t, cli.ExitUsage, append([]string{"report"}, flags...)...)
	greywattIn(t, cli.ExitUsage, append([]string{"report", "--files", "--pdf", pdf}, flags...)...)
	// without the key file the same readings make the same key
	key := filepath.Join(dir, "data", "pseudonyms.key")
	if err := os.Remove(key); err != nil {
		t.Fatal(err)
	}
	if report("three") != first {
		t.Error("a report with a new key from the same data differs")
	}
	if info, err := os.Stat(key); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("key file: %v, %v; want it readable to its owner alone", info.Mode(), err)
	}
	if err := os.WriteFile(key, []byte(strings.Repeat("07", sha256.Size)), 0o600); err != nil {
		t.Fatal(err)
	}
	if report("four") == first {
		t.Error("another key made the same pseudonyms")
	}
	if named := report("five", "--names"); !strings.Contains(named, "hazel-03") || strings.Contains(named, "Home ") {
		t.Error("--names does not name the dwellings by their ids")
	}
	if err := os.WriteFile(key, []byte("half a k"), 0o600); err != nil {
		t.Fatal(err)
	}
	if out := greywattIn(t, cli.ExitFailure, append([]string{"report", "--out", filepath.Join(dir, "six")}, flags...)...); !strings.Contains(out, "pseudonyms.key") {
		t.Errorf("a broken key: %s", out)
	}

	sum := sha256.Sum256([]byte(greywattIn(t, cli.ExitDone, append([]string{"events", "--json"}, flags...)...)))
	if !strings.Contains(first, "sha256:"+hex.EncodeToString(sum[:])) {
		t.Error("the digest in the report is not that of events --json")
	}
}

// The dataset has the uncertainties that summary states, and the parts that they
// consist of.
func TestDatasetHasTheSummarysUncertainties(t *testing.T) {
	dir, flags := simulated(t)
	out := filepath.Join(dir, "dataset")
	greywattIn(t, cli.ExitDone, append([]string{"export", "--out", out}, flags...)...)
	parts := map[string]int{}
	for _, r := range rowsOf(t, out, "uncertainty.csv") {
		if r[2] != "own" {
			parts[r[0]+" "+r[1]]++
		}
	}
	months := map[string][]string{}
	for _, r := range rowsOf(t, out, "monthly.csv") {
		if r[1] == "all" {
			months[r[0]] = r
		}
	}
	lines := json.NewDecoder(strings.NewReader(greywattIn(t, cli.ExitDone, append([]string{"summary", "--json"}, flags...)...)))
	for range 6 {
		var d struct {
			Dwelling   string
			HeatU95KWh *float64 `json:"heat_u95_kwh"`
			Ratio      struct{ U95 *float64 }
		}
		if err := lines.Decode(&d); err != nil {
			t.Fatal(err)
		}
		row := months[d.Dwelling]
		for what, x := range map[string]struct {
			cell string
			want *float64
		}{"ratio_u95": {row[10], d.Ratio.U95}, "heat_u95_kwh": {row[12], d.HeatU95KWh}} {
			switch got, err := strconv.ParseFloat(x.cell, 64); {
			case x.want == nil:
				if x.cell != "" {
					t.Errorf("%s: %s of %s where summary has none", d.Dwelling, what, x.cell)
				}
			case err != nil || math.Abs(got-*x.want) > 1e-4 || !(*x.want > 0):
				t.Errorf("%s: %s is %s in the dataset, %g by summary", d.Dwelling, what, x.cell, *x.want)
			}
		}
		if d.HeatU95KWh != nil && parts[d.Dwelling+" heat_kwh"] < 3 {
			t.Errorf("%s: %d inputs of the heat's uncertainty", d.Dwelling, parts[d.Dwelling+" heat_kwh"])
		}
	}
}

func TestTrendCharts(t *testing.T) {
	dir, flags := simulated(t)
	for format, magic := range map[string]string{"svg": "<svg", "png": "\x89PNG\r\n", "pdf": "%PDF-"} {
		charts := filepath.Join(dir, format)
		greywattIn(t, cli.ExitDone, append([]string{"trend", "--chart", charts, "--format", format}, flags...)...)
		for _, name := range []string{"overview", "trend-hazel-01", "trend-hazel-06"} {
			if chart := readFile(t, charts, name+"."+format); !strings.HasPrefix(chart, magic) || format == "svg" && !strings.HasSuffix(chart, "</svg>\n") {
				t.Errorf("%s.%s is no whole %s", name, format, format)
			}
		}
	}
	greywattIn(t, cli.ExitUsage, append([]string{"trend", "--format", "gif"}, flags...)...)
}

// A dwelling is named as the operand or by a flag, alike in every command.
func TestDwellingByOperandOrFlag(t *testing.T) {
	_, flags := simulated(t)
	for _, command := range []string{"events", "summary", "trend", "diagnose", "offsets", "alarms", "commission", "dump"} {
		flags := flags
		if command == "dump" {
			flags = flags[2:] // it takes no study
		}
		operand := greywattIn(t, cli.ExitDone, append([]string{command, "hazel-02"}, flags...)...)
		flag := greywattIn(t, cli.ExitDone, append([]string{command, "--dwelling", "hazel-02"}, flags...)...)
		if operand != flag {
			t.Errorf("%s: the operand and --dwelling give different answers", command)
		}
		if command != "alarms" && !strings.Contains(operand, "hazel-02") || strings.Contains(operand, "hazel-01") {
			t.Errorf("%s hazel-02: %.300s", command, operand)
		}
	}
	for _, args := range [][]string{{"erase"}, {"erase", "hazel-02", "--dwelling", "hazel-01"}, {"commission"}, {"commission", "hazel-02", "hazel-01"}} {
		greywattIn(t, cli.ExitUsage, append(args, flags[2:]...)...)
	}
}

// A clamp 0.6 K off while nothing runs for three days: waste-in then reads 0.45 K
// above the mean of the four, the others 0.15 K below.
func TestOffsetsSuggestion(t *testing.T) {
	d := &greywatt.Dwelling{ID: "larch-04"}
	for c := greywatt.WasteIn; c <= greywatt.PreheatOut; c++ {
		d.Sensors = append(d.Sensors, greywatt.Sensor{Channel: c, Node: "n1", U95K: 0.16, OffsetK: 0.1})
	}
	watch := health.New(nil, d)
	start := greywatt.InstantOfUnix(1772409600)
	for minute := range 3 * 24 * 60 {
		f := greywatt.Frame{At: start.Add(60 * float64(minute)), Node: "n1", Value: greywatt.NoValues()}
		for c := greywatt.WasteIn; c <= greywatt.PreheatOut; c++ {
			f.Value[c] = 20 + 0.02*math.Sin(float64(minute)+float64(c))
		}
		f.Value[greywatt.WasteIn] += 0.6
		f.Value[greywatt.Flow] = 0
		watch.Push([]greywatt.Frame{f})
	}
	var out bytes.Buffer
	record := watch.Close()
	if err := writeOffsets(&out, d, &record); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"+0.450 ± 0.1", "change it", "leave it", "Not applied.",
		"[[dwelling.sensor]]\nchannel = \"waste-in\"\nnode = \"n1\"\noffset_k = 0.55   # was 0.10; from ",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
	if strings.Count(out.String(), "[[dwelling.sensor]]") != 1 {
		t.Errorf("more than the one clamp:\n%s", out.String())
	}
}

func TestWrapText(t *testing.T) {
	got := cli.Wrap("one two three four", 9, "  ")
	if want := "one two\n  three\n  four"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	for _, line := range strings.Split(cli.Wrap(strings.Repeat("word ", 100), cli.TextWidth, "    "), "\n") {
		if n := len(line); n > cli.TextWidth {
			t.Errorf("a line of %d", n)
		}
	}
}

// A sum has the decimals that its uncertainty has a use for.
func TestSumU95(t *testing.T) {
	for _, c := range []struct {
		v, u95 float64
		want   string
	}{{12.345, 0.2, "12.35 ± 0.20"}, {155.4, 12, "155 ± 12"}, {155.44, 1.2, "155.4 ± 1.2"}, {0.0281, 0.0046, "0.028 ± 0.005"}, {math.NaN(), 1, ""}} {
		if got := sumU95(c.v, c.u95); got != c.want {
			t.Errorf("%g ± %g: %q, want %q", c.v, c.u95, got, c.want)
		}
	}
}
