package analysis_test

import (
	"flag"
	"fmt"
	"math"
	"sync"
	"testing"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
)

var seeds = flag.Int("seeds", 4, "simulated studies of each fault in the findings tests")

func eventsOf(h *simulate.House) (*greywatt.Study, []analysis.Event) {
	study := &greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}
	a := analysis.NewAnalyser(study, &study.Dwellings[0])
	var got []analysis.Event
	batch := make([]greywatt.Frame, 0, 256)
	for f := range h.Frames(nil) {
		if batch = append(batch, f); len(batch) == cap(batch) {
			got = append(got, a.Push(batch)...)
			batch = batch[:0]
		}
	}
	got = append(got, a.Push(batch)...)
	return study, append(got, a.Close()...)
}

// TestFindings prints the confusion matrix over simulated studies of 90 days
// with one fault each.
func TestFindings(t *testing.T) {
	type outcome struct {
		kind  simulate.FaultKind
		seed  int
		first analysis.Code
		note  string
	}
	var mu sync.Mutex
	var all []outcome
	var wg sync.WaitGroup
	slots := make(chan bool, 2)
	for _, kind := range simulate.FaultKinds {
		for seed := range *seeds {
			wg.Add(1)
			slots <- true
			go func() {
				defer wg.Done()
				h := simulate.Faulty(kind, uint64(seed+1)).Houses[0]
				study, events := eventsOf(h)
				d := analysis.Diagnose(study, &study.Dwellings[0], events)
				o := outcome{kind: kind, seed: seed, first: d.Findings[0].Code}
				fault := "none"
				if len(h.Faults) > 0 {
					f := h.Faults[0]
					fault = fmt.Sprintf("size %.2f from %s over %.0f d %v %v %v", f.Size, f.From.Time().Format("01-02"), f.GrowthDays, f.Asymptotic, f.Channel, f.Connection)
				}
				o.note = fmt.Sprintf("%s #%d %s %s [%s] rated %v", kind, seed, h.Dwelling.Connection, h.Physics.Law, fault, h.Dwelling.Exchanger.Rated)
				for _, f := range d.Findings {
					o.note += fmt.Sprintf("\n      %s since %s p %.2f: %s", f.Code, f.Since.Time().Format("01-02"), f.Confidence, f.Evidence)
				}
				for _, s := range d.Stretches {
					o.note += fmt.Sprintf("\n      %s", s.Model.Why)
				}
				mu.Lock()
				all = append(all, o)
				mu.Unlock()
				<-slots
			}()
		}
	}
	wg.Wait()
	right := 0
	count := map[[2]string]int{}
	for _, o := range all {
		count[[2]string{string(o.kind), string(o.first)}]++
		if string(o.kind) == string(o.first) {
			right++
		} else {
			t.Log(o.note)
		}
	}
	codes := append([]simulate.FaultKind{}, simulate.FaultKinds...)
	codes = append(codes, "undecided")
	for _, k := range simulate.FaultKinds {
		line := fmt.Sprintf("%-24s", k)
		for _, c := range codes {
			line += fmt.Sprintf(" %3d", count[[2]string{string(k), string(c)}])
		}
		t.Log(line)
	}
	if share := float64(right) / float64(len(all)); share < 0.95 || math.IsNaN(share) {
		t.Errorf("right finding first in %.3f of %d studies", share, len(all))
	}
}
