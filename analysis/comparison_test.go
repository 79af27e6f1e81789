package analysis_test

import (
	"encoding/gob"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
	"greywatt/analysis/simulate"
)

var cache = flag.String("cache", "", "keep what the analysis makes of simulated studies in this `DIR`, for trying package finding alone: remove it when the events change")

// An observed house is what the diagnosis takes in.
type observed struct {
	Events []event.Event
	Health health.Record
}

// observe runs a house through the analysis, or takes what an earlier run of the
// same name kept.
func observe(t *testing.T, h *simulate.House, name string) (*greywatt.Study, observed) {
	study := &greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}
	var o observed
	kept := ""
	if *cache != "" {
		kept = filepath.Join(*cache, name+".gob")
		if f, err := os.Open(kept); err == nil {
			defer f.Close()
			if err := gob.NewDecoder(f).Decode(&o); err != nil {
				t.Fatalf("%s: %v: remove it", kept, err)
			}
			return study, o
		}
	}
	a := event.NewAnalyser(study, &study.Dwellings[0])
	a.OmitBudgets()
	w := health.New(study, &study.Dwellings[0])
	batch := make([]greywatt.Frame, 0, 256)
	push := func() {
		o.Events = append(o.Events, a.Push(batch)...)
		w.Push(batch)
		batch = batch[:0]
	}
	for f := range h.Frames(nil) {
		if batch = append(batch, f); len(batch) == cap(batch) {
			push()
		}
	}
	push()
	o.Events = append(o.Events, a.Close()...)
	o.Health = w.Close()
	if kept != "" {
		f, err := os.Create(kept)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if err := gob.NewEncoder(f).Encode(o); err != nil {
			t.Fatal(err)
		}
	}
	return study, o
}

// A trial is one house of the comparison with what may be said of it.
type trial struct {
	name  string
	house *simulate.House
	want  []finding.Code // the first row that counts is one of these
	row   finding.Code   // must be among the rows as well; empty: none
}

// trials lists the houses: the hazards, half-years with and without fouling,
// and the faults that do not change.
func trials(first uint64, seeds int) []trial {
	var out []trial
	healthy := []finding.Code{finding.Healthy}
	for k := range uint64(seeds) {
		seed := first + k
		for _, kind := range simulate.HazardKinds {
			h := simulate.Hazard(kind, seed).Houses[0]
			o := trial{name: fmt.Sprintf("%s-%d", kind, seed), house: h, want: healthy}
			switch kind {
			case simulate.ClampDrift, simulate.MeterDrift, simulate.WasteMeterDrift:
				o.want = []finding.Code{finding.SensorDrifting}
			case simulate.BypassSometimes:
				o.want = []finding.Code{finding.BypassAtTimes}
			case simulate.FrozenClamp, simulate.RailedClamp, simulate.MissingChannel:
				o.want = []finding.Code{finding.SensorDead}
			case simulate.RestingLeak, simulate.ShowerDrip:
				if h.Faults[0].Size/60 > h.Sensors[greywatt.Flow].CutOffLS {
					o.row = finding.Leak
				}
			}
			out = append(out, o)
		}
		for _, course := range simulate.Courses {
			out = append(out,
				trial{name: fmt.Sprintf("half-year-%s-%d", course, seed), house: simulate.HalfYear(course, seed).Houses[0], want: healthy},
				trial{name: fmt.Sprintf("fouled-half-year-%s-%d", course, seed), house: simulate.FouledHalfYear(course, seed).Houses[0], want: []finding.Code{finding.Fouling}})
		}
		for _, kind := range simulate.FaultKinds {
			out = append(out, trial{name: fmt.Sprintf("still-%s-%d", kind, seed), house: simulate.Faulty(kind, seed).Houses[0], want: []finding.Code{finding.Code(kind)}})
		}
	}
	return out
}

// A verdict is how one trial went.
type verdict struct {
	kind  string // of the trial
	first finding.Code
	sure  float64
	right bool
	note  string
}

// judge compares a diagnosis with what was true of the house.
func judge(o trial, d finding.Diagnosis) verdict {
	v := verdict{kind: o.name[:strings.LastIndex(o.name, "-")]}
	var codes []finding.Code
	for _, f := range d.Findings {
		codes = append(codes, f.Code)
	}
	i := slices.IndexFunc(d.Findings, func(f finding.Finding) bool { return f.Code != finding.Leak })
	if i < 0 {
		i = 0
	}
	v.first, v.sure = d.Findings[i].Code, d.Findings[i].Confidence
	v.right = slices.Contains(o.want, v.first)
	if v.right && (v.first == finding.SensorDrifting || v.first == finding.SensorDead) {
		v.right = d.Findings[i].Channel == o.house.Faults[0].Channel.String()
	}
	if o.row != "" && !slices.Contains(codes, o.row) {
		v.right = false
		v.first = "no " + o.row
	}
	return v
}

// TestComparison scores the diagnosis over all the evidence: what was wrong
// against what came first, how often a stated confidence was right, and how often
// a wrong finding was said with confidence.
func TestComparison(t *testing.T) {
	var mu sync.Mutex
	var all []verdict
	var wg sync.WaitGroup
	slots := make(chan bool, 2)
	for _, o := range trials(*first, *seeds) {
		if *only != "" && !strings.Contains(o.name, *only) {
			continue
		}
		slots <- true
		wg.Go(func() {
			defer func() { <-slots }()
			study, seen := observe(t, o.house, o.name)
			d := finding.Diagnose(study, &study.Dwellings[0], event.All(seen.Events), &seen.Health)
			v := judge(o, d)
			var b strings.Builder
			fmt.Fprintf(&b, "%s %s", o.name, o.house.Dwelling.Connection)
			for _, f := range o.house.Faults {
				fmt.Fprintf(&b, " [%s size %.2f from %s over %.0f d %s]", f.Kind, f.Size, f.From.Time().Format("01-02"), f.GrowthDays, f.Channel)
			}
			for _, f := range d.Findings {
				fmt.Fprintf(&b, "\n      %s %s since %s p %.2f: %s", f.Code, f.Channel, f.Since.Time().Format("01-02"), f.Confidence, f.Evidence)
				if f.Decide != "" {
					fmt.Fprintf(&b, "\n         decide: %s", f.Decide)
				}
			}
			v.note = b.String()
			mu.Lock()
			defer mu.Unlock()
			all = append(all, v)
		})
	}
	wg.Wait()
	slices.SortFunc(all, func(a, b verdict) int { return strings.Compare(a.note, b.note) })

	count := map[string]map[finding.Code]int{}
	wrong, sureWrong, sure := 0, 0, 0
	for _, v := range all {
		if count[v.kind] == nil {
			count[v.kind] = map[finding.Code]int{}
		}
		count[v.kind][v.first]++
		if !v.right {
			t.Log(v.note)
		}
		if !v.right && v.first != finding.Undecided {
			wrong++
		}
		if v.first != finding.Undecided && v.sure >= 0.9 {
			sure++
			if !v.right {
				sureWrong++
			}
		}
	}
	var b strings.Builder
	kinds := make([]string, 0, len(count))
	for k := range count {
		kinds = append(kinds, k)
	}
	slices.Sort(kinds)
	for _, k := range kinds {
		fmt.Fprintf(&b, "\n| %s |", k)
		codes := make([]string, 0, len(count[k]))
		for c, n := range count[k] {
			codes = append(codes, fmt.Sprintf(" %s %d", c, n))
		}
		slices.Sort(codes)
		b.WriteString(strings.Join(codes, ","))
		b.WriteString(" |")
	}
	t.Log(b.String())
	for _, bin := range [][2]float64{{0, 0.7}, {0.7, 0.9}, {0.9, 0.97}, {0.97, 1}} {
		n, hits, stated := 0, 0, 0.0
		for _, v := range all {
			if v.first != finding.Undecided && v.sure >= bin[0] && (v.sure < bin[1] || bin[1] == 1) {
				n++
				stated += v.sure
				if v.right {
					hits++
				}
			}
		}
		if n > 0 {
			t.Logf("confidence %.2f to %.2f: %d findings, stated %.3f, right %.3f", bin[0], bin[1], n, stated/float64(n), float64(hits)/float64(n))
		}
	}
	t.Logf("%d trials, %d wrong, %d of %d said at 0.9 and more wrong", len(all), wrong, sureWrong, sure)
	if n := float64(len(all)); float64(wrong) > 0.05*n {
		t.Errorf("%d of %d trials wrong, not undecided", wrong, len(all))
	}
	if float64(sureWrong) > 0.03*float64(sure) {
		t.Errorf("%d of %d findings said at 0.9 and more are wrong", sureWrong, sure)
	}
}
