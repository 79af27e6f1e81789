package analysis_test

import (
	"flag"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
)

var only = flag.String("fault", "", "run the findings test for this `KIND` only")

var length = flag.Int("days", 90, "length of the studies in the findings test; the fault's dates stay those of 90 days")

var seeds = flag.Int("seeds", 1, "simulated studies of each fault in the findings tests")

// eventsOf returns what the analysis makes of a house, its readings changed on
// the way by each of the functions.
func eventsOf(h *simulate.House, change ...tamper) (*greywatt.Study, []event.Event) {
	return eventsTold(h, nil, change...)
}

// eventsTold does the same and tells the truth.
func eventsTold(h *simulate.House, truth *simulate.Truth, change ...tamper) (*greywatt.Study, []event.Event) {
	study := &greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}
	a := event.NewAnalyser(study, &study.Dwellings[0])
	var got []event.Event
	batch := make([]greywatt.Frame, 0, 256)
	from, _ := h.Span()
	for f := range h.Frames(truth) {
		for _, c := range change {
			if c != nil {
				c(f.At.Sub(from)/86400, &f)
			}
		}
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
		first finding.Code
		sure  float64 // confidence stated
		late  float64 // days of the finding's date after the fault's
		note  string
	}
	var mu sync.Mutex
	var all []outcome
	var wg sync.WaitGroup
	slots := make(chan bool, 2)
	for _, kind := range simulate.FaultKinds {
		if *only != "" && string(kind) != *only {
			continue
		}
		for seed := range *seeds {
			wg.Add(1)
			slots <- true
			go func() {
				defer wg.Done()
				h := simulate.Faulty(kind, *first-999+uint64(seed)).Houses[0]
				h.Days = *length
				study, seen := observe(t, h, fmt.Sprintf("faulty-%s-%d-%d", kind, *first-999+uint64(seed), h.Days))
				d := finding.Diagnose(study, &study.Dwellings[0], event.All(seen.Events), &seen.Health)
				o := outcome{kind: kind, seed: seed, first: d.Findings[0].Code, sure: d.Findings[0].Confidence, late: lateness(h, d.Findings[0])}
				fault := "none"
				if len(h.Faults) > 0 {
					f := h.Faults[0]
					fault = fmt.Sprintf("size %.2f from %s over %.0f d %v %v %v", f.Size, f.From.Time().Format("01-02"), f.GrowthDays, f.Asymptotic, f.Channel, f.Connection)
				}
				o.note = fmt.Sprintf("%s #%d %s %s [%s] rated %v", kind, seed, h.Dwelling.Connection, h.Physics.Law, fault, h.Dwelling.Exchanger.Rated)
				for _, f := range d.Findings {
					o.note += fmt.Sprintf("\n      %s since %s p %.2f: %s", f.Code, f.Since.Time().Format("01-02"), f.Confidence, f.Evidence)
				}
				o.note += fmt.Sprintf("\n      dated %.1f days late", o.late)
				for _, s := range d.Segments {
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
	var steps, foulings []float64
	for _, o := range all {
		switch {
		case string(o.first) != string(o.kind) || math.IsNaN(o.late):
		case o.kind == simulate.StepLoss:
			steps = append(steps, math.Abs(o.late))
		case o.kind == simulate.Fouling:
			foulings = append(foulings, math.Abs(o.late))
		}
	}
	t.Logf("step dated within %.1f days (95 %%), fouling within %.1f days of a 10 %% loss of conductance (95 %%)", pct(steps, 0.95), pct(foulings, 0.95))
	if pct(steps, 0.95) > 3 || pct(foulings, 0.95) > 21 {
		t.Error("dates of onset are too far off")
	}
	// what is stated with a confidence should be right that often
	for _, bin := range [][2]float64{{0, 0.7}, {0.7, 0.9}, {0.9, 0.97}, {0.97, 1}} {
		n, hits, stated := 0, 0, 0.0
		for _, o := range all {
			if o.first != finding.Undecided && o.sure >= bin[0] && (o.sure < bin[1] || bin[1] == 1) {
				n++
				stated += o.sure
				if string(o.first) == string(o.kind) {
					hits++
				}
			}
		}
		if n > 0 {
			t.Logf("confidence %.2f to %.2f: %d findings, stated %.3f, right %.3f", bin[0], bin[1], n, stated/float64(n), float64(hits)/float64(n))
		}
	}
	right := 0
	count := map[[2]string]int{}
	for _, o := range all {
		count[[2]string{string(o.kind), string(o.first)}]++
		if string(o.kind) == string(o.first) {
			right++
		}
		if string(o.kind) != string(o.first) || math.Abs(o.late) > 15 && o.kind == simulate.Fouling || math.Abs(o.late) > 2 && o.kind == simulate.StepLoss {
			t.Log(o.note)
		}
	}
	t.Log(matrix(count))
	t.Logf("%d of %d right first", right, len(all))
	if share := float64(right) / float64(len(all)); share < 0.95 || math.IsNaN(share) {
		t.Errorf("right finding first in %.3f of %d studies", share, len(all))
	}
}

// matrix writes the confusion matrix as ACCURACY.md has it: what was wrong down
// the side, what came first along the top.
func matrix(count map[[2]string]int) string {
	heads := []string{"fouling", "step", "low", "parallel", "waste sw.", "supply sw.", "loose", "no rec.", "connection", "flow", "healthy", "undecided"}
	codes := append(append([]simulate.FaultKind{}, simulate.FaultKinds...), "undecided")
	var b strings.Builder
	fmt.Fprintf(&b, "\n| was | %s |\n|---|%s\n", strings.Join(heads, " | "), strings.Repeat("---|", len(heads)))
	for _, k := range simulate.FaultKinds {
		fmt.Fprintf(&b, "| %s |", strings.ReplaceAll(string(k), "-", " "))
		for _, c := range codes {
			cell := ""
			if n := count[[2]string{string(k), string(c)}]; n > 0 {
				cell = fmt.Sprint(n)
			}
			fmt.Fprintf(&b, " %s |", cell)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// lateness is how many days a finding's date lies after its fault's: the step,
// or the day on which fouling had taken a tenth of the conductance.
func lateness(h *simulate.House, f finding.Finding) float64 {
	if len(h.Faults) == 0 {
		return math.NaN()
	}
	at := h.Faults[0].From
	if h.Faults[0].Kind == simulate.Fouling {
		_, to := h.Span()
		for at < to && h.UARatio(at) > 0.9 {
			at = at.Add(3600)
		}
	}
	return f.Since.Sub(at) / 86400
}

// A healthy year in which mains water swings between 6 and 17 °C, flows change
// and clamps drift gives no finding.
func TestSeasonIsNoFinding(t *testing.T) {
	for seed := range uint64(*years) {
		h := simulate.Season(seed + 1).Houses[0]
		study, events := eventsOf(h)
		if d := finding.Diagnose(study, &study.Dwellings[0], event.All(events), nil); d.Findings[0].Code != finding.Healthy {
			t.Errorf("year %d: %s: %s", seed+1, d.Findings[0].Code, d.Findings[0].Evidence)
			for _, s := range d.Segments {
				t.Log(s.Model.Why)
			}
		}
	}
}
