package dataset

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

// The same bytes are written however little of the rows is held in memory, and
// nothing of them stays behind.
func TestSpool(t *testing.T) {
	study := &greywatt.Study{Name: "spooled"}
	var ids []string
	for i := range 7 {
		ids = append(ids, fmt.Sprintf("alder-%02d", i))
		study.Dwellings = append(study.Dwellings, greywatt.Dwelling{ID: ids[i], Connection: greywatt.ConnectionA})
	}
	written := func(hide *Disclosure, cut int) map[string][]byte {
		t.Helper()
		scratch, out := filepath.Join(t.TempDir(), "to", "be"), filepath.Join(t.TempDir(), "out")
		p := New(study, "test", scratch)
		if hide != nil {
			p = Disclosing(study, "test", scratch, *hide)
		}
		defer p.Close()
		p.text.cut = cut
		rng := rand.New(rand.NewPCG(1, 2))
		for _, id := range ids {
			var trend []finding.TrendPoint
			var events []event.Event
			for i := range 40 {
				// Several at the same instant, of one dwelling and of all.
				e := event.Event{Dwelling: id, Connection: greywatt.ConnectionA, Kind: event.Shower, VolumeL: rng.Float64()}
				e.Start = at("2026-01-12T06:00:00Z").Add(float64(rng.IntN(20)) * 3600)
				e.ID = fmt.Sprintf("%s-%d", id, 10_000*i)
				events = append(events, e)
				trend = append(trend, finding.TrendPoint{Dwelling: id, EventID: e.ID, At: e.Start, UARatio: rng.Float64()})
			}
			findings := []finding.Finding{{Dwelling: id, Code: finding.Healthy, Evidence: "a\x1fb"}}
			if err := p.Add(events, finding.Diagnosis{Trend: trend, Findings: findings}); err != nil {
				t.Fatal(err)
			}
		}
		if filed := p.text.file != nil; filed != (cut < spoolMemory) {
			t.Errorf("with %d bytes of memory, in a file: %t", cut, filed)
		}
		if err := p.Write(out); err != nil {
			t.Fatal(err)
		}
		if err := p.Close(); err != nil {
			t.Fatal(err)
		}
		if left, err := os.ReadDir(scratch); len(left) > 0 || err != nil && cut < spoolMemory {
			t.Errorf("left behind: %v, %v", left, err)
		}
		return files(t, out)
	}
	for name, hide := range map[string]*Disclosure{
		"all told":  nil,
		"disclosed": {Key: [32]byte{1}, Coarsen: Week, MinGroup: 3},
	} {
		want := written(hide, spoolMemory)
		if n := bytes.Count(want["events.csv"], []byte("\n")); n != 7*40+1 {
			t.Fatalf("%s: %d lines", name, n)
		}
		for _, cut := range []int{0, 1, 200, 5000} {
			if got := written(hide, cut); !maps.EqualFunc(got, want, bytes.Equal) {
				t.Errorf("%s: with %d bytes of memory other bytes are written", name, cut)
			}
		}
	}
}

// A folder that takes no file ends the work with its name, not with a dataset
// that lacks rows.
func TestSpoolWithoutRoom(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	p := New(&greywatt.Study{}, "test", file)
	p.text.cut = 0
	events, d := contents()
	err := p.Add(events, d)
	if perr := (*fs.PathError)(nil); !errors.As(err, &perr) || perr.Path != file || !errors.Is(err, syscall.ENOTDIR) {
		t.Errorf("%v", err)
	}
}
