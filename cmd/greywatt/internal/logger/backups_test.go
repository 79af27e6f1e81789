package logger

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

// A year of hourly backups leaves the newest four, seven days and eight weeks; a
// new one never goes at once, whatever came before.
func TestOldBackupsAreThinned(t *testing.T) {
	var left []time.Time
	at := time.Date(2026, 1, 1, 0, 30, 0, 0, time.UTC)
	for range 365 * 24 {
		left = append(left, at)
		stays := stay(left)
		if !stays[len(left)-1] {
			t.Fatalf("the newest of %v goes", at)
		}
		var next []time.Time
		for i, s := range stays {
			if s {
				next = append(next, left[i])
			}
		}
		left = next
		at = at.Add(time.Hour)
	}
	// The last was of Thursday 31 December, 23:30; weeks end on Sunday (ISO 8601).
	want := []string{"2026-12-31T23:30", "2026-12-31T22:30", "2026-12-31T21:30", "2026-12-31T20:30"}
	for day := 30; day >= 25; day-- {
		want = append(want, fmt.Sprintf("2026-12-%02dT23:30", day))
	}
	for _, sunday := range []string{"12-20", "12-13", "12-06", "11-29", "11-22", "11-15"} {
		want = append(want, "2026-"+sunday+"T23:30")
	}
	var got []string
	for _, l := range slices.Backward(left) {
		got = append(got, l.Format("2006-01-02T15:04"))
	}
	if !slices.Equal(got, want) {
		t.Errorf("left are\n%v, want\n%v", got, want)
	}
}

// Only backups are removed, and what a killed one has left only once nobody can be
// writing it.
func TestThinningLeavesOthersAlone(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	write := func(name string, age time.Duration) {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, now.Add(-age), now.Add(-age)); err != nil {
			t.Fatal(err)
		}
	}
	want := []string{".greywatt-20260302T110000.000Z.backup.2.part", "greywatt-mine.backup", "notes.txt", "study.backup"}
	for _, name := range want {
		write(name, time.Minute)
	}
	write(".greywatt-20260302T100000.000Z.backup.1.part", 2*time.Hour)
	for i := range 8 {
		name := "greywatt-" + now.Add(-time.Duration(i)*time.Minute).Format(backupTime) + ".backup"
		write(name, time.Duration(i)*time.Minute)
		if i < keptNewest {
			want = append(want, name)
		}
	}
	if err := thin(dir, now); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("left are %v, want %v", got, want)
	}
}
