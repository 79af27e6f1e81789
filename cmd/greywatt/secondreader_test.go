package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"greywatt/cmd/greywatt/internal/cli"
)

// Two other readers, encoding/csv of the standard library and the SQL engine of
// the sqlite3 shell, find in a logger's file the values that import stored: with
// quotes, decimal commas, blank cells, an error code, and local summer time.
func TestSecondReader(t *testing.T) {
	sqlite, err := exec.LookPath("sqlite3")
	if err != nil {
		t.Fatal("this test uses the sqlite3 shell: install it, as .ci/run does")
	}
	dir := t.TempDir()
	file, made, data, dumped := filepath.Join(dir, "logger.csv"), filepath.Join(dir, "r.toml"), filepath.Join(dir, "data"), filepath.Join(dir, "dump.csv")
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	const rows = 3000
	write(file, loggerFile(rows))
	write(made, `[file]
format = "csv"
delimiter = ";"
decimal = ","
[time]
from = ["Tag", "Uhr"]
format = "DD.MM.YYYY hh:mm:ss"
timezone = "Europe/Dublin"
[place]
dwelling = "larch-04"
[[channel]]
channel = "waste-in"
from = "ab; ein"
unit = "Cel"
invalid = [85]
[[channel]]
channel = "cold-in"
from = "kalt"
unit = "degF"
[[channel]]
channel = "flow"
from = "l/h"
unit = "l/h"
`)
	invoke(t, cli.ExitRejected, "import", "--study", filesStudy, "--data", data, "--recipe", made, file)
	write(dumped, invoke(t, cli.ExitDone, "dump", "--data", data))

	t.Run("encoding/csv", func(t *testing.T) {
		stored := map[string][]string{}
		for _, row := range readCSV(t, dumped, ',') {
			stored[row[0]] = row
		}
		zone, err := time.LoadLocation("Europe/Dublin")
		if err != nil {
			t.Fatal(err)
		}
		compared := 0
		for _, row := range readCSV(t, file, ';')[1:] {
			at, err := time.ParseInLocation("02.01.2006 15:04:05", row[0]+" "+row[1], zone)
			if err != nil {
				t.Fatal(err)
			}
			got := stored[at.UTC().Format(time.RFC3339)]
			for _, c := range []struct {
				cell, column int
				convert      func(v float64) float64
			}{
				{3, 3, func(v float64) float64 { return v }},
				{4, 5, func(v float64) float64 { return (v - 32) / 1.8 }},
				{5, 7, func(v float64) float64 { return v / 60 }},
			} {
				if row[c.cell] == "" || row[c.cell] == "85,0" {
					if got != nil && got[c.column] != "" {
						t.Errorf("%v has %q where nothing is to be", row, got[c.column])
					}
					continue
				}
				want, err := strconv.ParseFloat(strings.Replace(row[c.cell], ",", ".", 1), 64)
				if err != nil || got == nil {
					t.Fatalf("%v, stored %v, %v", row, got, err)
				}
				if v, err := strconv.ParseFloat(got[c.column], 64); err != nil || math.Abs(v-c.convert(want)) > 1e-8 {
					t.Fatalf("%v is stored as %v: column %d, %v", row, got, c.column, err)
				}
				compared++
			}
		}
		if compared < 2*rows {
			t.Errorf("only %d values were compared", compared)
		}
	})

	t.Run("SQL", func(t *testing.T) {
		// 29 March 2026, 01:00 UTC: summer time begins in Europe/Dublin.
		script := fmt.Sprintf(`.mode csv
.separator ;
.import '%s' raw
.separator ,
.import '%s' stored
.separator ' '
CREATE VIEW local AS SELECT substr(Tag,7,4)||'-'||substr(Tag,4,2)||'-'||substr(Tag,1,2)||' '||Uhr AS l, * FROM raw;
CREATE VIEW wanted AS SELECT strftime('%%Y-%%m-%%dT%%H:%%M:%%SZ', l, CASE WHEN l >= '2026-03-29 02:00:00' THEN '-1 hour' ELSE '+0 hour' END) AS at,
	CASE WHEN "ab; ein" IN ('', '85,0') THEN NULL ELSE CAST(replace("ab; ein", ',', '.') AS REAL) END AS waste,
	CASE WHEN kalt = '' THEN NULL ELSE (CAST(replace(kalt, ',', '.') AS REAL) - 32) / 1.8 END AS cold,
	CASE WHEN "l/h" = '' THEN NULL ELSE CAST("l/h" AS REAL) / 60 END AS flow FROM local;
SELECT count(*), count(waste), count(cold), count(flow) FROM wanted;
SELECT count(*), sum(waste_in_c <> ''), sum(cold_in_c <> ''), sum(flow_l_min <> '') FROM stored;
SELECT count(*), sum(coalesce(abs(w.waste - s.waste_in_c) > 1e-8, w.waste IS NOT NULL OR s.waste_in_c <> '')),
	sum(coalesce(abs(w.cold - s.cold_in_c) > 1e-8, w.cold IS NOT NULL OR s.cold_in_c <> '')),
	sum(coalesce(abs(w.flow - s.flow_l_min) > 1e-8, w.flow IS NOT NULL OR s.flow_l_min <> '')) FROM wanted w JOIN stored s ON s.time = w.at;
`, file, dumped)
		command := exec.CommandContext(t.Context(), sqlite, "-batch", ":memory:")
		command.Stdin = strings.NewReader(script)
		out, err := command.CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		lines := strings.Split(strings.TrimSpace(strings.ReplaceAll(string(out), "\r", "")), "\n")
		if len(lines) != 3 {
			t.Fatalf("sqlite3 says\n%s", out)
		}
		if lines[0] != lines[1] || !strings.HasPrefix(lines[0], fmt.Sprint(rows, " ")) {
			t.Errorf("rows and values: the file has %s, stored are %s", lines[0], lines[1])
		}
		if lines[2] != fmt.Sprint(rows, " 0 0 0") {
			t.Errorf("rows joined, and values that differ: %s", lines[2])
		}
	})
}

func readCSV(t *testing.T, file string, comma rune) [][]string {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma = comma
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// loggerFile is the file of an untidy logger, over the beginning of summer time.
func loggerFile(rows int) string {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	var b strings.Builder
	b.WriteString("Tag;Uhr;Notiz;\"ab; ein\";kalt;l/h\r\n")
	at := time.Date(2026, 3, 29, 0, 10, 0, 0, time.UTC)
	comma := func(format string, v float64) string { return strings.Replace(fmt.Sprintf(format, v), ".", ",", 1) }
	for i := range rows {
		local := at.Add(time.Duration(i) * 2 * time.Second).In(zone)
		waste, cold, flow := comma("%.1f", 20+float64(i%170)/10), comma("%.2f", 50+float64(i%91)/13), strconv.Itoa(i%60*9)
		switch i % 11 {
		case 3:
			waste = "85,0"
		case 5:
			cold = ""
		case 7:
			waste = ""
		}
		note := ""
		if i%13 == 0 {
			note = `"a ""note""; with one"`
		}
		fmt.Fprintf(&b, "%s;%s;%s;%s;\"%s\";%s\r\n", local.Format("02.01.2006"), local.Format("15:04:05"), note, waste, cold, flow)
	}
	return b.String()
}
