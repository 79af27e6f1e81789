package dataset

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

// withheldFinding stands for a finding that too few dwellings share.
const withheldFinding = finding.Code("withheld")

// A riskRow is one attack on the dataset as it is written: what somebody knows of
// a home, and how many dwellings that alone points at.
type riskRow struct {
	attack, knows string
	dwellings     int // in the dataset
	alone         int // of these, those that no other one is like
	smallest      int // dwellings in the smallest group of such as are alike
}

var riskColumns = []column[riskRow]{
	{name: "attack", required: true, description: "What is known of one home from elsewhere, in a word",
		text: func(r riskRow) string { return r.attack }},
	{name: "knows", required: true, description: "The same in a sentence",
		text: func(r riskRow) string { return r.knows }},
	{name: "dwellings", required: true, description: "Dwellings in this dataset",
		number: func(r riskRow) float64 { return float64(r.dwellings) }},
	{name: "singled_out", required: true, description: "Those of them that no other dwelling is like: whoever knows it knows which rows are the home's",
		number: func(r riskRow) float64 { return float64(r.alone) }},
	{name: "smallest_group", required: true, description: "Dwellings in the smallest group of such as are alike",
		number: func(r riskRow) float64 { return float64(r.smallest) }},
}

// thresholds leaves out of the findings and flags what fewer than MinGroup dwellings
// share, and which change of a unit an event comes after.
func (p *Package) thresholds(names []string) {
	h := p.hide
	if h.MinGroup < 2 {
		return
	}
	h.rareFindings()
	h.rareBeginnings()
	for i := range h.findings {
		// who knows when a unit was cleaned, or failed, finds it by a date
		f := &h.findings[i]
		f.Evidence, f.Decide = undated(f.Evidence), undated(f.Decide)
	}

	h.withheld.Flags = h.rareFlags(names)
	at := columnOf(p.events, "flags")
	var figures []int
	for i, f := range p.events.fields {
		if strings.HasPrefix(f.Name, "effectiveness") || strings.HasPrefix(f.Name, "ratio") {
			figures = append(figures, i)
		}
	}
	p.events.edit = func(cells []string) {
		all := strings.Split(cells[at], ";")
		cells[at] = withoutWords(cells[at], h.withheld.Flags)
		if slices.ContainsFunc(all, func(f string) bool {
			return slices.Contains(warnings, event.Flag(f)) && slices.Contains(h.withheld.Flags, f)
		}) {
			for _, i := range figures {
				cells[i] = "" // without its warning the figure would mislead
			}
		}
	}
	segment := columnOf(p.trend, "segment")
	p.trend.edit = func(cells []string) { cells[segment] = "" }
}

// rareFindings withholds the findings that too few dwellings have, and more of
// them, the rarest first, where too few would be left with one withheld.
func (h *discloser) rareFindings() {
	var hidden map[string]bool
	for {
		who := map[finding.Code]map[string]bool{}
		for _, f := range h.findings {
			if who[f.Code] == nil {
				who[f.Code] = map[string]bool{}
			}
			who[f.Code][f.Dwelling] = true
		}
		hidden = who[withheldFinding]
		delete(who, withheldFinding)
		codes := slices.SortedFunc(maps.Keys(who), func(a, b finding.Code) int {
			return cmp.Or(cmp.Compare(len(who[a]), len(who[b])), cmp.Compare(a, b))
		})
		if len(codes) == 0 || len(who[codes[0]]) >= h.MinGroup && (len(hidden) == 0 || len(hidden) >= h.MinGroup) {
			break
		}
		for i := range h.findings {
			if f := &h.findings[i]; f.Code == codes[0] {
				*f = findingRow{Dwelling: f.Dwelling, Code: withheldFinding, Confidence: f.Confidence}
				h.withheld.Findings++
			}
		}
	}
	seen := map[string]bool{} // one row a dwelling, the strongest
	h.findings = slices.DeleteFunc(h.findings, func(f findingRow) bool {
		again := f.Code == withheldFinding && seen[f.Dwelling]
		seen[f.Dwelling] = seen[f.Dwelling] || f.Code == withheldFinding
		return again
	})
}

// rareBeginnings leaves out when findings began where too few have the same one,
// or would be left without.
func (h *discloser) rareBeginnings() {
	who := map[finding.Code]map[greywatt.Instant]int{}
	for _, f := range h.findings {
		if who[f.Code] == nil {
			who[f.Code] = map[greywatt.Instant]int{}
		}
		who[f.Code][f.Since]++
	}
	for _, at := range who {
		without := 0
		for since, n := range at {
			if since == 0 || n < h.MinGroup {
				without += n
			}
		}
		if without < h.MinGroup && without > 0 {
			clear(at)
		}
	}
	for i := range h.findings {
		if f := &h.findings[i]; who[f.Code][f.Since] < h.MinGroup {
			f.Since = 0
		}
	}
}

// undated leaves out of a text the parts with a date.
func undated(text string) string {
	return strings.Join(slices.DeleteFunc(strings.Split(text, "; "), date.MatchString), "; ")
}

// Flags that a visitor of the home could know of: they tell its sensors.
var visible = []event.Flag{
	event.FlagNoWasteIn, event.FlagNoWasteOut, event.FlagNoColdIn, event.FlagNoPreheatOut,
	event.FlagRoomAssumed, event.FlagSlowSampling, event.FlagCoarseMeter,
}

// Flags that say that a figure must not be used.
var warnings = []event.Flag{event.FlagNotPlausible, event.FlagUnbalanced, event.FlagReversed}

// rareFlags returns the flags to leave out, in the order of the alphabet: those that
// fewer than MinGroup dwellings have; and of the visible ones so many that each
// dwelling's set of those left is that of as many, again and again the one without
// which most dwellings share theirs, the rarest of such.
func (h *discloser) rareFlags(names []string) (out []string) {
	all := map[string]int{}
	for _, name := range names {
		for f := range h.flags[name] {
			all[f]++
		}
	}
	count := map[string]int{}
	for f, n := range all {
		switch {
		case n < h.MinGroup:
			out = append(out, f)
		case slices.Contains(visible, event.Flag(f)):
			count[f] = n
		}
	}
	sharing := func(without string) (n int) {
		sets := map[string]int{}
		for _, name := range names {
			set := ""
			for _, f := range slices.Sorted(maps.Keys(h.flags[name])) {
				if f != without && count[f] > 0 {
					set += ";" + f
				}
			}
			sets[set]++
		}
		for _, k := range sets {
			if k >= h.MinGroup {
				n += k
			}
		}
		return n
	}
	for sharing("") < len(names) && len(count) > 0 {
		best, most := "", -1
		for _, f := range slices.Sorted(maps.Keys(count)) {
			if n := sharing(f); n > most || n == most && count[f] < count[best] {
				best, most = f, n
			}
		}
		delete(count, best)
		out = append(out, best)
	}
	slices.Sort(out)
	return out
}

func withoutWords(words string, these []string) string {
	left := slices.DeleteFunc(strings.Split(words, ";"), func(w string) bool { return slices.Contains(these, w) })
	return strings.Join(left, ";")
}

func columnOf(t *table, name string) int {
	return slices.IndexFunc(t.fields, func(f field) bool { return f.Name == name })
}

// risks tries the attacks on what is to be written.
func (p *Package) risks(names []string) error {
	h := p.hide
	var flags, findings, dated, periods, counts = map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}
	sensors := map[string]string{}
	for _, name := range names {
		of := slices.Sorted(maps.Keys(h.flags[name]))
		flags[name] = withoutWords(strings.Join(of, ";"), h.withheld.Flags)
		of = slices.DeleteFunc(of, func(f string) bool { return !slices.Contains(visible, event.Flag(f)) })
		sensors[name] = withoutWords(strings.Join(of, ";"), h.withheld.Flags)
	}
	for i := range h.findings {
		f := &h.findings[i]
		findings[f.Dwelling] += " " + string(f.Code) + " " + f.Channel
		dated[f.Dwelling] += fmt.Sprint(" ", f.Code, f.Since)
	}
	present, events := map[string]map[string]bool{}, map[string]int{}
	for r := range p.events.rows.all() {
		name := p.events.dwelling(r)
		if present[name] == nil {
			present[name] = map[string]bool{}
		}
		present[name][strconv.FormatInt(int64(r.at), 10)] = true
		events[name]++
	}
	for _, name := range names {
		periods[name] = strings.Join(slices.Sorted(maps.Keys(present[name])), " ")
		counts[name] = strconv.Itoa(events[name])
	}
	period := "moments"
	if h.Coarsen != "" {
		period = string(h.Coarsen) + "s"
	}
	for _, a := range []struct {
		attack, knows string
		of            map[string]string
	}{
		{"unit", "the connection and the unit's certificate", h.units},
		{"sensors", "its sensors, as far as flags tell them", sensors},
		{"flags", "which flags its events have, as a copy of the readings tells", flags},
		{"findings", "what was found there", findings},
		{"finding-dates", "what was found there, and since when", dated},
		{"presence", "in which " + period + " water was drawn, and in which none", periods},
		{"events", "how many draws were logged in all, as a copy of the readings tells", counts},
	} {
		groups := map[string]int{}
		for _, name := range names {
			groups[a.of[name]]++
		}
		row := riskRow{attack: a.attack, knows: a.knows, dwellings: len(names), smallest: len(names)}
		for _, n := range groups {
			row.smallest = min(row.smallest, n)
			if n == 1 {
				row.alone++
			}
		}
		if err := add(p.risk, riskColumns, "", 0, row); err != nil {
			return err
		}
	}
	return nil
}
