//go:build linux

package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/ingest/store"
)

// asProgram, set in the environment, makes the test binary be greywatt.
const asProgram = "GREYWATT_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	os.Exit(m.Run())
}

// maxPeak is what a month of six dwellings may take: a small board has a
// gigabyte, and not for us alone.
const maxPeak = 256 << 20

// A month of six dwellings, 150 MB of SenML and more, goes in and out again in
// bounded memory.
func TestMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("not run with -short: a month of six dwellings, for its peak memory")
	}
	dir := t.TempDir()
	study, data := filepath.Join(dir, "files", "study.toml"), filepath.Join(dir, "data")
	invoke(t, cli.ExitDone, "simulate", "--out", filepath.Join(dir, "files"), "--days", "30")
	files, err := filepath.Glob(filepath.Join(dir, "files", "*.senml"))
	if err != nil {
		t.Fatal(err)
	}
	var size int64
	for _, f := range files {
		info, err := os.Stat(f)
		if err != nil {
			t.Fatal(err)
		}
		size += info.Size()
	}
	if size < 150e6 {
		t.Fatalf("%d MB of SenML, want 150 and more", size/1e6)
	}
	for _, args := range [][]string{
		append([]string{"import", "--study", study, "--data", data}, files...),
		{"events", "--study", study, "--data", data},
		{"export", "--study", study, "--data", data, "--out", filepath.Join(dir, "out")},
		{"dump", "--data", data},
	} {
		peak := peakOf(t, args...)
		if peak > maxPeak {
			t.Errorf("greywatt %s took %d MiB, want %d at most", args[0], peak>>20, maxPeak>>20)
		}
	}
}

// peakOf runs greywatt in a process of its own and returns the most memory it
// had, in bytes: by its own high-water mark, as near to its end as can be read.
// The peak that the system reports of a child may be that of the test.
func peakOf(t *testing.T, args ...string) int64 {
	t.Helper()
	began := time.Now()
	c := exec.Command(os.Args[0], args...)
	c.Env = append(os.Environ(), asProgram+"=1")
	var log strings.Builder
	c.Stderr = &log
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	var peak int64
	for tick := time.NewTicker(2 * time.Millisecond); ; {
		select {
		case <-tick.C:
			status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", c.Process.Pid)) // gone when it has ended
			if _, line, ok := strings.Cut(string(status), "VmHWM:"); ok {
				var kB int64
				fmt.Sscan(line, &kB)
				peak = max(peak, kB<<10)
			}
		case err := <-ended:
			if err != nil {
				t.Fatalf("greywatt %s: %v\n%s", args[0], err, log.String())
			}
			if peak == 0 {
				t.Fatalf("greywatt %s: its memory could not be read", args[0])
			}
			t.Logf("%-6s peak %3d MiB, %4.1f s (%4.1f s of processor)", args[0], peak>>20,
				time.Since(began).Seconds(), (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds())
			return peak
		}
	}
}

var exportDwellings = flag.Int("export-dwellings", 1, "dwellings in TestExportMemory, alike")

// An export takes little memory, whatever the length of the history and however
// many dwellings have one: readings are not held, and events hardly weigh. Twenty
// dwellings make 180 million frames:
//
//	go test -run ExportMemory -v ./cmd/greywatt -export-dwellings 20
func TestExportMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("not run with -short: five years of readings, for the peak memory of their export")
	}
	most := int64(128+4*(*exportDwellings-1)) << 20
	street := simulate.Accuracy(5, 28)
	like := street.Houses[0].Dwelling
	street.Study.Dwellings = nil
	for i := range *exportDwellings {
		d := like
		d.ID = fmt.Sprintf("%s-%03d", like.ID, i)
		street.Study.Dwellings = append(street.Study.Dwellings, d)
	}
	var month []greywatt.Frame
	for f := range street.Houses[0].Frames(nil) {
		month = append(month, f)
	}
	for _, months := range []int{1, 13, 65} { // of four weeks
		dir := t.TempDir()
		study, data := filepath.Join(dir, "study.toml"), filepath.Join(dir, "data")
		if err := staging.WriteFile(study, func(w io.Writer) error { return simulate.WriteStudy(w, &street.Study) }); err != nil {
			t.Fatal(err)
		}
		st, err := store.Open(data, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var readings []greywatt.Reading
		for k := range months { // the same weeks again and again, back from where they are
			for i, f := range month {
				f.At = f.At.Add(float64(k-months) * 28 * 86400)
				for d := range street.Study.Dwellings {
					readings = framefile.AppendReadings(readings, street.Study.Dwellings[d].ID, &f)
				}
				if len(readings) > 50_000 || i == len(month)-1 {
					if _, err := st.Append(t.Context(), readings); err != nil {
						t.Fatal(err)
					}
					readings = readings[:0]
				}
			}
		}
		if err := st.Close(); err != nil {
			t.Fatal(err)
		}
		t.Logf("%d months of %d dwellings: %d frames", months, *exportDwellings, months*len(month)**exportDwellings)
		if peak := peakOf(t, "export", "--study", study, "--data", data, "--out", filepath.Join(dir, "out")); peak > most {
			t.Errorf("an export of %d months took %d MiB, want %d at most", months, peak>>20, most>>20)
		}
	}
}
