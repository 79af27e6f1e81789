package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"greywatt"
	"greywatt/analysis/monitor"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/pseudonym"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

var freeze = flag.Bool("freeze", false, "write testdata/frozen for the newest format, where there is none yet")

// frozenFormat is the newest format that testdata/frozen has a folder of.
const frozenFormat = 2

const frozenStart = greywatt.Instant(1_768_203_000_000_000) // 2026-01-12T07:30:00Z

// frozenReadings are what every frozen data folder was filled with.
func frozenReadings() (rs []greywatt.Reading) {
	for i := range 900 {
		at := frozenStart.Add(float64(i))
		for c, v := range map[greywatt.Channel]float64{
			greywatt.WasteIn: 36 + float64(i%16)/16, greywatt.WasteOut: 22, greywatt.ColdIn: 8.5, greywatt.PreheatOut: 24.0625, greywatt.Flow: 0.15,
		} {
			rs = append(rs, greywatt.Reading{Dwelling: "larch-04", Node: "n1", Channel: c, At: at, Value: v})
		}
	}
	return rs
}

func writeFrozen(t *testing.T, dir string) {
	t.Helper()
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	guard, err1 := json.Marshal(watch.Guarded{Alarms: []monitor.Alarm{{Dwelling: "larch-04", At: frozenStart, EventID: "larch-04-20260112T073000Z", Since: 7, What: "conductance", Evidence: "fell by 20 %"}}})
	clocks, err2 := json.Marshal([]mqttsource.Clock{{Dwelling: "larch-04", Node: "n1", Hours: []mqttsource.ClockHour{{Hour: 491167, BehindS: 3600.5}}}})
	_, err3 := st.Append(t.Context(), frozenReadings())
	err = errors.Join(err1, err2, err3,
		st.Mirror(t.Context(), "influx+http://127.0.0.1:8086/study"),
		st.SetNotes(t.Context(), []store.Note{
			{Dwelling: "larch-04", Key: "guard", Value: guard}, {Dwelling: "larch-04", Key: logger.ClocksNote, Value: clocks},
			{Key: "mqtt-client-id", Value: []byte("greywatt-frozen")},
		}),
		st.AppendRejected(t.Context(), []ingest.RejectedRecord{{Source: "greywatt/larch-04/n1/senml", Dwelling: "larch-04", Reason: ingest.BadUnit, Detail: "unit F", Record: "{}", At: frozenStart}}),
		st.AppendQuarantined(t.Context(), []ingest.Quarantined{{Topic: "greywatt/elm-01/n1/senml", Body: []byte("[]"), At: frozenStart, Dwelling: "elm-01", Node: "n1", Reason: ingest.UnknownDwelling, Records: 1}}),
		pseudonym.Key{'k', 'e', 'y'}.Write(filepath.Join(dir, site.KeyFileName)),
		st.Close(), os.Remove(filepath.Join(dir, "greywatt.lock")))
	if err != nil {
		t.Fatal(err)
	}
}

// thawed returns a copy of a frozen data folder.
func thawed(t *testing.T, version int) string {
	t.Helper()
	frozen := filepath.Join("testdata", "frozen", fmt.Sprintf("data-%d", version))
	if _, err := os.Stat(frozen); errors.Is(err, fs.ErrNotExist) && *freeze && version == frozenFormat {
		writeFrozen(t, frozen)
	}
	dir := filepath.Join(t.TempDir(), "data")
	if err := os.CopyFS(dir, os.DirFS(frozen)); err != nil {
		t.Fatal(err)
	}
	return dir
}

// A data folder of every format there ever was gives this program all that was
// in it: readings, events, alarms, clocks, the client id, what waits for a
// mirror, what was set aside, and the pseudonyms; as it is, and as a backup.
func TestFrozenData(t *testing.T) {
	for version := 1; version <= frozenFormat; version++ {
		data := thawed(t, version)
		// Opening for writing brings it up to date, as run would.
		st, err := store.Open(data, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		counts, err := st.Append(t.Context(), frozenReadings())
		if n := len(frozenReadings()); err != nil || counts != (ingest.Counts{Duplicate: n}) {
			t.Errorf("format %d: of %d readings that it was given: %+v, %v", version, n, counts, err)
		}
		if id, err := logger.ClientID(t.Context(), st); err != nil || id != "greywatt-frozen" {
			t.Errorf("format %d: client id %q, %v", version, id, err)
		}
		if ms, err := st.Mirrors(t.Context()); err != nil || len(ms) != 1 || ms[0].Name != "influx+http://127.0.0.1:8086/study" {
			t.Errorf("format %d: mirrors %v, %v", version, ms, err)
		}
		if err := st.Close(); err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		file, again := filepath.Join(dir, "backup"), filepath.Join(dir, "again")
		invoke(t, cli.ExitDone, "restore", filepath.Join("testdata", "frozen", fmt.Sprintf("data-%d", version), store.FileName), "--data", again)
		invoke(t, cli.ExitDone, "backup", file, "--data", again)
		invoke(t, cli.ExitDone, "check", "--study", "testdata/files/study.toml", "--data", again)
		for _, data := range []string{data, again} {
			if got := invoke(t, cli.ExitDone, "readmit", "--list", "--data", data); version > 1 && !strings.Contains(got, "elm-01") {
				t.Errorf("format %d: in the quarantine is\n%s", version, got)
			}
			if got := strings.Count(invoke(t, cli.ExitDone, "dump", "--data", data), "\n"); got != 901 {
				t.Errorf("format %d: %d lines, want 901", version, got)
			}
			withStudy := []string{"--study", "testdata/files/study.toml", "--data", data}
			for args, want := range map[string]string{
				"events": "larch-04-20260112T073000Z", "alarms": "fell by 20 %", "clocks --all": "n1", "rejected": "unit F",
			} {
				words := strings.Fields(args)
				if words[0] == "events" || words[0] == "alarms" {
					words = append(words, withStudy...)
				} else {
					words = append(words, "--data", data)
				}
				if got := invoke(t, cli.ExitDone, words...); !strings.Contains(got, want) {
					t.Errorf("format %d: %s says\n%swant %q in it", version, args, got, want)
				}
			}
		}
		out := filepath.Join(dir, "out")
		invoke(t, cli.ExitDone, "export", "--study", "testdata/files/study.toml", "--data", data, "--pseudonyms", "--out", out)
		if got := readFile(t, out, "events.csv"); !strings.Contains(got, "Home FHYK") { // by OpenSSL, see package pseudonym
			t.Errorf("format %d: pseudonyms are others:\n%s", version, got)
		}
	}
}

// Every command that meets a newer format says so, and what to do, and leaves
// the file as it is.
func TestNewerData(t *testing.T) {
	data := thawed(t, frozenFormat)
	file := filepath.Join(data, store.FileName)
	c, err := sqlite.OpenConn(file, sqlite.OpenReadWrite)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(sqlitex.ExecuteTransient(c, "PRAGMA user_version = 3", nil), c.Close()); err != nil {
		t.Fatal(err)
	}
	before := readFile(t, file)
	study := []string{"--study", "testdata/files/study.toml"}
	for _, args := range [][]string{
		append([]string{"run", "--listen", "127.0.0.1:0", "--http", ""}, study...), append([]string{"import", "testdata/files/good.csv", "--dwelling", "larch-04"}, study...),
		append([]string{"events"}, study...), append([]string{"alarms"}, study...), append([]string{"check"}, study...),
		{"dump"}, {"erase", "larch-04", "--yes"}, {"backup", filepath.Join(t.TempDir(), "b")},
	} {
		if said := greywattIn(t, cli.ExitFailure, append(args, "--data", data)...); !strings.Contains(said, "format 3") || !strings.Contains(said, "newer program") {
			t.Errorf("%s says %q", args[0], said)
		}
	}
	if said := greywattIn(t, cli.ExitFailure, "restore", file, "--data", filepath.Join(t.TempDir(), "new")); !strings.Contains(said, "format 3") || !strings.Contains(said, "newer program") {
		t.Errorf("restore says %q", said)
	}
	if readFile(t, file) != before {
		t.Error("the file was changed")
	}
}
