package propose

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest/recipe/quantity"
)

// A hint is a word of a heading that speaks for a channel.
var hints = []struct {
	channel greywatt.Channel
	all     [][]string // one word of each
}{
	{greywatt.WasteFlow, [][]string{{"waste", "drain", "grey", "sewer", "abwasser", "abw", "ablauf"}, {"flow", "l/min", "l_min", "lpm"}}},
	{greywatt.WasteIn, [][]string{{"waste", "drain", "grey", "sewer", "abwasser", "abw", "ablauf"}, {"in", "upper", "top", "high", "hi", "hot", "inlet", "ein", "oben"}}},
	{greywatt.WasteOut, [][]string{{"waste", "drain", "grey", "sewer", "abwasser", "abw", "ablauf"}, {"out", "lower", "bottom", "low", "lo", "cold", "outlet", "aus", "unten"}}},
	{greywatt.PreheatOut, [][]string{{"preheat", "preheated", "pre", "prewarmed", "vorgewärmt"}}},
	{greywatt.ColdIn, [][]string{{"cold", "mains", "supply", "kalt", "kaltwasser", "froid", "koud"}}},
	{greywatt.Ambient, [][]string{{"ambient", "room", "air", "indoor", "raum", "umgebung"}}},
	{greywatt.Flow, [][]string{{"flow", "flowrate", "lpm", "litres", "liters", "pulses", "meter", "gpm", "durchfluss", "débit", "debiet"}}},
}

func hinted(name string) (greywatt.Channel, bool) {
	lower := strings.ToLower(name)
	plain := strings.NewReplacer("_", "-", " ", "-").Replace(lower)
	for c := range greywatt.Channel(greywatt.NumChannels) {
		if plain == c.String() || strings.HasPrefix(plain, c.String()+"-") {
			return c, true
		}
	}
	words := strings.FieldsFunc(lower, func(r rune) bool { return strings.ContainsRune(" _-.[]()/$'\"", r) })
	for _, h := range hints {
		fits := true
		for _, any := range h.all {
			if !slices.ContainsFunc(any, func(w string) bool {
				return slices.Contains(words, w) || strings.Contains(w, "/") && strings.Contains(lower, w)
			}) {
				fits = false
			}
		}
		if fits {
			return h.channel, true
		}
	}
	return 0, false
}

// classify says which series is which channel, and its unit. seconds are the
// times of the values. It returns the times at which draws of warm water begin,
// and how long the longest draw of any water is, s.
func classify(all []*series, seconds []float64) (showers []float64, longest float64) {
	flow := findFlow(all)
	runs := runsOf(flow, seconds)
	var temperatures []*series
	for _, s := range all {
		if s != flow && !s.taken && s.temperature() {
			s.underFlow(runs, seconds)
			temperatures = append(temperatures, s)
		}
	}
	nameTemperatures(temperatures, flow != nil && len(runs) > 0)
	if flow != nil {
		flowUnit(flow, runs, seconds)
	}
	common := commonUnit(temperatures)
	for _, s := range temperatures {
		if s.taken {
			temperatureUnit(s, common)
		}
	}
	for _, r := range runs {
		longest = max(longest, seconds[r.to-1]-seconds[r.from])
	}
	return warmStarts(temperatures, runs, seconds), longest
}

// findFlow picks the series that is a flow, or counts one.
func findFlow(all []*series) *series {
	var best *series
	bestScore := 0.0
	for _, s := range all {
		if s.n == 0 {
			continue
		}
		score := 0.0
		if c, ok := hinted(s.name); ok && c == greywatt.Flow {
			score += 2
		} else if ok {
			continue
		}
		if u := s.fromHeading; u != nil {
			switch u.Kind {
			case quantity.Flow, quantity.Volume, quantity.Pulses:
				score += 2
			default:
				continue
			}
		}
		if s.lo >= 0 && s.zeros > 0.2 && s.hi > s.lo {
			score += 1.5
		}
		if s.rises {
			score += 1
		}
		if score > bestScore {
			best, bestScore = s, score
		}
	}
	return best
}

// A run is a stretch of rows with water running.
type run struct{ from, to int } // to is not in it

const (
	longRunS  = 60.0 // s that a draw must last to say something of temperatures
	mostStepS = 600.0
)

func runsOf(flow *series, seconds []float64) (runs []run) {
	if flow == nil {
		return nil
	}
	on := func(k int) bool {
		v := flow.values[k]
		if flow.rises {
			return k > 0 && v > flow.values[k-1]
		}
		return v > flow.hi/20
	}
	for k := 0; k < len(seconds); k++ {
		if !on(k) {
			continue
		}
		from := k
		for k < len(seconds) && (on(k) || k+1 < len(seconds) && on(k+1)) && (k == from || seconds[k]-seconds[k-1] < mostStepS) {
			k++
		}
		runs = append(runs, run{from, k})
	}
	return runs
}

// temperature reports whether the series can be a temperature, or a resistance
// that stands for one.
func (s *series) temperature() bool {
	if u := s.fromHeading; u != nil {
		return u.Kind == quantity.Temperature || u.Kind == quantity.Resistance
	}
	if c, ok := hinted(s.name); ok {
		return !c.IsFlow() && s.n > 0
	}
	return s.n > 0 && s.hi > s.lo && !s.rises && s.zeros < 0.2 && temperatureScale(s) != 0
}

// underFlow takes the means while water runs and while it does not.
func (s *series) underFlow(runs []run, seconds []float64) {
	s.running, s.resting = math.NaN(), math.NaN()
	in := make([]bool, len(seconds))
	sum, n := 0.0, 0
	var drawn []float64
	for _, r := range runs {
		for k := r.from; k < r.to; k++ {
			in[k] = true
			v := s.values[k]
			if v != v {
				continue
			}
			drawn = append(drawn, v)
			if seconds[k]-seconds[r.from] >= longRunS {
				sum += v
				n++
			}
		}
	}
	if n > 0 {
		s.running = sum / float64(n)
	}
	s.lowInDraws = math.NaN()
	if len(drawn) > 0 {
		slices.Sort(drawn)
		s.lowInDraws = drawn[len(drawn)/50]
		if s.falling() {
			s.lowInDraws = drawn[len(drawn)-1-len(drawn)/50]
		}
	}
	sum, n = 0, 0
	for k, v := range s.values {
		if !in[k] && v == v {
			sum += v
			n++
		}
	}
	if n > 0 {
		s.resting = sum / float64(n)
	}
}

// nameTemperatures gives each its channel: by heading, else by its place while
// water runs.
func nameTemperatures(ts []*series, ran bool) {
	used := map[greywatt.Channel]bool{}
	var left []*series
	for _, s := range ts {
		if c, ok := hinted(s.name); ok && !c.IsFlow() && !used[c] {
			used[c] = true
			s.take(c, "the heading says so"+s.levels(), false)
			continue
		}
		left = append(left, s)
	}
	if !ran || len(left) == 0 {
		for _, s := range left {
			s.say("", "", "no water runs in the rows looked at, so that nothing says which temperature this is", true)
		}
		return
	}
	warmer := func(a, b *series) int {
		sign := 1
		if a.falling() {
			sign = -1
		}
		switch {
		case a.running > b.running:
			return -sign
		case a.running < b.running:
			return sign
		}
		return 0
	}
	for _, s := range left {
		if s.running != s.running {
			s.say("", "", fmt.Sprintf("no draw of more than %g s in the rows looked at, so that nothing says which temperature this is", longRunS), true)
		}
	}
	left = slices.DeleteFunc(left, func(s *series) bool { return s.running != s.running })
	// The room's is the one that draws change least; it is only looked for where
	// there are more than the four ports.
	if free := 4 - countPorts(used); len(left) > free && !used[greywatt.Ambient] {
		i := 0
		for k, s := range left {
			if math.Abs(s.running-s.resting) < math.Abs(left[i].running-left[i].resting) {
				i = k
			}
		}
		used[greywatt.Ambient] = true
		left[i].take(greywatt.Ambient, fmt.Sprintf("of the temperatures it changes least when water runs: %.4g to %.4g", left[i].resting, left[i].running), true)
		left = slices.Delete(left, i, i+1)
	}
	slices.SortStableFunc(left, warmer)
	if len(left) > 0 && !used[greywatt.WasteIn] {
		used[greywatt.WasteIn] = true
		left[0].take(greywatt.WasteIn, fmt.Sprintf("the warmest while water runs: %.4g", left[0].running), false)
		left = left[1:]
	}
	if n := len(left); n > 0 && !used[greywatt.ColdIn] {
		used[greywatt.ColdIn] = true
		left[n-1].take(greywatt.ColdIn, fmt.Sprintf("the coldest while water runs: %.4g", left[n-1].running), false)
		left = left[:n-1]
	}
	// What is left lies between. Mains water reaches the preheated pipe cold, at the
	// beginning of a draw and where no warm waste runs; the drain's outlet stays near
	// the room then.
	slices.SortStableFunc(left, func(a, b *series) int {
		sign := 1
		if a.falling() {
			sign = -1
		}
		switch {
		case a.lowInDraws < b.lowInDraws:
			return -sign
		case a.lowInDraws > b.lowInDraws:
			return sign
		}
		return 0
	})
	for i, c := range []greywatt.Channel{greywatt.PreheatOut, greywatt.WasteOut} {
		if used[c] || len(left) == 0 {
			continue
		}
		s := left[0]
		doubt, than := true, ""
		if i == 0 && len(left) > 1 {
			span := math.Abs(left[1].running-s.running) + math.Abs(left[1].lowInDraws-s.lowInDraws) + 0.1
			doubt = math.Abs(left[1].lowInDraws-s.lowInDraws) < 0.15*span
			than = fmt.Sprintf(", the other of the two in between only to %.4g", left[1].lowInDraws)
		} else if i == 1 {
			doubt = false
		}
		used[c] = true
		s.take(c, fmt.Sprintf("between the warmest and the coldest while water runs, %.4g; at the beginning of draws and without warm waste it falls to %.4g%s", s.running, s.lowInDraws, than), doubt)
		left = left[1:]
	}
}

// levels says the means with and without water running, as far as they are known.
func (s *series) levels() string {
	switch {
	case s.running == s.running && s.resting == s.resting:
		return fmt.Sprintf("; while water runs it is at %.4g, at rest %.4g", s.running, s.resting)
	case s.running == s.running:
		return fmt.Sprintf("; while water runs it is at %.4g", s.running)
	case s.resting == s.resting:
		return fmt.Sprintf("; at rest it is at %.4g", s.resting)
	}
	return ""
}

func countPorts(used map[greywatt.Channel]bool) (n int) {
	for c := range used {
		if c.IsPort() {
			n++
		}
	}
	return n
}

// warmStarts returns the times at which draws with warm water begin.
func warmStarts(ts []*series, runs []run, seconds []float64) (starts []float64) {
	var waste *series
	for _, s := range ts {
		if s.taken && s.channel == greywatt.WasteIn {
			waste = s
		}
	}
	if waste == nil {
		return nil
	}
	warm := (waste.running + waste.resting) / 2
	for _, r := range runs {
		if seconds[r.to-1]-seconds[r.from] < 2*longRunS {
			continue
		}
		for k := r.from; k < r.to; k++ {
			if v := waste.values[k]; v > warm != waste.falling() {
				starts = append(starts, seconds[r.from])
				break
			}
		}
	}
	return starts
}
