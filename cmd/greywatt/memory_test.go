//go:build linux

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
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
	invoke(t, exitDone, "simulate", "--out", filepath.Join(dir, "files"), "--days", "30")
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
		began := time.Now()
		c := exec.Command(os.Args[0], args...)
		c.Env = append(os.Environ(), asProgram+"=1")
		var log strings.Builder
		c.Stderr = &log
		if err := c.Run(); err != nil {
			t.Fatalf("greywatt %s: %v\n%s", args[0], err, log.String())
		}
		peak := c.ProcessState.SysUsage().(*syscall.Rusage).Maxrss << 10
		t.Logf("%-6s %3d MB of SenML: peak %3d MiB, %4.1f s (%4.1f s of processor)", args[0], size/1e6, peak>>20,
			time.Since(began).Seconds(), (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds())
		if peak > maxPeak {
			t.Errorf("greywatt %s took %d MiB, want %d at most", args[0], peak>>20, maxPeak>>20)
		}
	}
}
