package propose

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest/recipe/quantity"
)

// A series is a numeric column in the order of time.
type series struct {
	name, ref string
	values    []float64 // NaN where a row has none
	codes     []float64 // values far from all others that come again

	lo, hi, mid      float64 // without the codes
	n                int
	fromHeading      *quantity.Unit
	headingScale     float64
	rises            bool // never falls, and rises at times
	zeros            float64
	channel          greywatt.Channel
	taken            bool
	notes            []note
	running, resting float64 // means of the temperature, of draws after a minute
	lowInDraws       float64 // a low value while water runs
}

// sensorCodes are what common sensors and transmitters give on a fault.
var sensorCodes = []float64{85, -127, -999, -9999, 9999, 999, 327.67, -3276.8, 3276.7, 32767, -32768, 65535, 850, 127}

func newSeries(name, ref string, values []float64) *series {
	s := &series{name: name, ref: ref, values: values}
	s.fromHeading, s.headingScale = unitInHeading(name)
	s.measure()
	for _, code := range sensorCodes {
		if k := s.count(code); k > 0 && k < s.n/2 && (code > s.quantile(0.98)+15 || code < s.quantile(0.02)-15) {
			s.codes = append(s.codes, code)
		}
	}
	if len(s.codes) > 0 {
		for i, v := range s.values {
			if slices.Contains(s.codes, v) {
				s.values[i] = math.NaN()
			}
		}
		s.measure()
	}
	return s
}

func (s *series) count(code float64) (n int) {
	for _, v := range s.values {
		if v == code {
			n++
		}
	}
	return n
}

func (s *series) quantile(q float64) float64 {
	var all []float64
	for _, v := range s.values {
		if v == v {
			all = append(all, v)
		}
	}
	slices.Sort(all)
	return all[int(q*float64(len(all)-1))]
}

func (s *series) measure() {
	s.lo, s.hi, s.n = math.Inf(1), math.Inf(-1), 0
	falls, ups, zeros, last := 0, 0, 0, math.NaN()
	for _, v := range s.values {
		if v != v {
			continue
		}
		s.n++
		s.lo, s.hi = min(s.lo, v), max(s.hi, v)
		if v == 0 {
			zeros++
		}
		switch {
		case v < last:
			falls++
		case v > last:
			ups++
		}
		last = v
	}
	if s.n == 0 {
		return
	}
	s.mid = s.quantile(0.5)
	s.zeros = float64(zeros) / float64(s.n)
	s.rises = ups > 3 && falls*200 <= s.n && falls*10 < ups && s.hi > s.lo && (s.lo > 0 || ups > s.n/10)
}

var word = regexp.MustCompile(`[°Ωµ³]*[A-Za-z³][A-Za-z0-9³^/_]*`)

// unitInHeading finds a unit among the words of a heading, the last ones first.
// A single small letter is none: it may be a sensor's name.
func unitInHeading(name string) (*quantity.Unit, float64) {
	var words []string
	if i := strings.LastIndexAny(name, "[("); i >= 0 {
		words = append(words, strings.Trim(name[i:], "[]() "))
	}
	if i := strings.IndexRune(name, '°'); i >= 0 {
		words = append(words, "°"+strings.Trim(name[i+len("°"):], "[]() "))
	}
	lower := strings.ToLower(name)
	for suffix, unit := range map[string]string{"_c": "Cel", "_degc": "Cel", "_f": "degF", "_k": "K", "_l_min": "l/min", "_lpm": "l/min", "_l_s": "l/s", "_l_h": "l/h", "_m3_h": "m3/h", "_ohm": "Ohm", "_pulses": "pulse", "_m3": "m3", "_litres": "l"} {
		if strings.HasSuffix(lower, suffix) {
			words = append(words, unit)
		}
	}
	for _, w := range word.FindAllString(name, -1) {
		if len(w) > 2 {
			words = append(words, w)
		}
	}
	for _, w := range words {
		if u, ok := quantity.ParseUnit(w); ok {
			return &u, 1
		}
	}
	return nil, 1
}

// A hint is a word of a heading that speaks for a channel.
var hints = []struct {
	channel greywatt.Channel
	all     [][]string // one word of each
}{
	{greywatt.WasteFlow, [][]string{{"waste", "drain", "grey", "sewer"}, {"flow", "l/min", "l_min", "lpm"}}},
	{greywatt.WasteIn, [][]string{{"waste", "drain", "grey", "sewer"}, {"in", "upper", "top", "hot", "inlet"}}},
	{greywatt.WasteOut, [][]string{{"waste", "drain", "grey", "sewer"}, {"out", "lower", "bottom", "cold", "outlet"}}},
	{greywatt.PreheatOut, [][]string{{"preheat", "preheated", "pre", "prewarmed"}}},
	{greywatt.ColdIn, [][]string{{"cold", "mains", "supply"}}},
	{greywatt.Ambient, [][]string{{"ambient", "room", "air", "indoor"}}},
	{greywatt.Flow, [][]string{{"flow", "flowrate", "lpm", "litres", "liters", "pulses", "meter"}}},
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

func (s *series) take(c greywatt.Channel, why string, doubt bool) {
	s.taken, s.channel = true, c
	s.notes = append(s.notes, note{"channel", quoted(c.String()), why, doubt}, note{"from", s.ref, "", false})
}

func (s *series) say(key, value, why string, doubt bool) {
	s.notes = append(s.notes, note{key, value, why, doubt})
}

// classify says which series is which channel, and its unit. seconds are the
// times of the values. It returns the times at which draws of warm water begin.
func classify(all []*series, seconds []float64) (showers []float64) {
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
	return warmStarts(temperatures, runs, seconds)
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
			s.take(c, fmt.Sprintf("the heading says so; while water runs it is at %.4g, at rest %.4g", s.running, s.resting), false)
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

func countPorts(used map[greywatt.Channel]bool) (n int) {
	for c := range used {
		if c.IsPort() {
			n++
		}
	}
	return n
}

// falling reports whether the number falls while the temperature rises, as of a
// thermistor in ohms.
func (s *series) falling() bool {
	return s.fromHeading != nil && s.fromHeading.Kind == quantity.Resistance && s.mid > 1500
}

// temperatureScale guesses what turns the numbers into °C: 1, 0.1, 0.01; 0 where
// they can be none. Kelvin, °F and platinum have their own numbers.
func temperatureScale(s *series) float64 {
	switch whole := s.whole(); {
	case s.lo > 250 && s.hi < 380 && !whole, s.lo > 260 && s.hi < 350 && whole && s.hi-s.lo < 70 && s.mid > 274:
		return 1 // K
	case s.lo > 95 && s.hi < 145 && !whole, s.lo > 950 && s.hi < 1450:
		return 1 // Pt100, Pt1000
	case s.lo >= -30 && s.hi <= 140:
		return 1
	case whole && s.lo >= -300 && s.hi <= 1200:
		return 0.1
	case whole && s.lo >= -3000 && s.hi <= 12_000:
		return 0.01
	}
	return 0
}

func (s *series) whole() bool {
	for _, v := range s.values {
		if v == v && v != math.Trunc(v) {
			return false
		}
	}
	return true
}

// A common is what the temperatures without a unit in their headings have in
// common: one logger writes all in one way.
type common struct {
	unit  string
	scale float64
	why   string
}

// commonUnit judges by what the waste and the mains are at while water runs: a
// shower is at 30 °C to 45 °C, mains water at 1 °C to 28 °C.
func commonUnit(ts []*series) *common {
	var waste, cold *series
	for _, s := range ts {
		switch {
		case !s.taken || s.fromHeading != nil:
		case s.channel == greywatt.WasteIn:
			waste = s
		case s.channel == greywatt.ColdIn:
			cold = s
		}
	}
	if waste == nil || cold == nil || waste.running != waste.running || cold.running != cold.running {
		return nil
	}
	for _, c := range []struct {
		unit  string
		scale float64
	}{{"Cel", 1}, {"K", 1}, {"degF", 1}, {"Cel", 0.1}, {"Cel", 0.01}, {"K", 0.1}, {"degF", 0.1}} {
		u, _ := quantity.ParseUnit(c.unit)
		if w, m := u.Convert(waste.running*c.scale), u.Convert(cold.running*c.scale); w >= 28 && w <= 48 && m >= 0.5 && m <= 28 {
			return &common{c.unit, c.scale, fmt.Sprintf("while water runs the waste is at %.5g and the mains at %.5g, which is %.1f °C and %.1f °C then", waste.running, cold.running, w, m)}
		}
	}
	return nil
}

func temperatureUnit(s *series, all *common) {
	if len(s.codes) > 0 {
		defer func() {
			text := make([]string, len(s.codes))
			for i, c := range s.codes {
				text[i] = fmt.Sprintf("%g", c)
			}
			s.say("invalid", "["+strings.Join(text, ", ")+"]", "far from all other values, and what sensors give on a fault", true)
		}()
	}
	if u := s.fromHeading; u != nil {
		s.say("unit", quoted(u.Name), fmt.Sprintf("the heading %q says so; the values lie between %.6g and %.6g", s.name, s.lo, s.hi), false)
		if u.Kind == quantity.Resistance {
			switch ohm := u.Convert(s.mid); {
			case ohm > 95 && ohm < 145:
				s.say("sensor", quoted("pt100"), fmt.Sprintf("%.5g Ω is %.1f °C of a Pt100", ohm, quantity.Platinum(100)(ohm)), false)
			case ohm > 950 && ohm < 1450:
				s.say("sensor", quoted("pt1000"), fmt.Sprintf("%.5g Ω is %.1f °C of a Pt1000", ohm, quantity.Platinum(1000)(ohm)), false)
			default:
				s.say("sensor", quoted("beta"), "no platinum sensor has that resistance; copy the constants of the thermistor from its data sheet", true)
				s.say("r25_ohm", "10000", "a usual one", true)
				s.say("beta_k", "3950", "a usual one", true)
			}
		}
		return
	}
	if all != nil {
		s.say("unit", quoted(all.unit), all.why, false)
		if all.scale != 1 {
			s.say("scale", fmt.Sprint(all.scale), "see the unit", false)
		}
		return
	}
	between := fmt.Sprintf("the values lie between %.6g and %.6g", s.lo, s.hi)
	switch scale := temperatureScale(s); {
	case s.lo > 950 && s.hi < 1450:
		s.say("unit", quoted("Ohm"), between+": a Pt1000 has those between -12 °C and 118 °C", true)
		s.say("sensor", quoted("pt1000"), "", true)
	case s.lo > 95 && s.hi < 145 && !s.whole():
		s.say("unit", quoted("Ohm"), between+": a Pt100 has those between -12 °C and 118 °C", true)
		s.say("sensor", quoted("pt100"), "", true)
	case s.lo > 250 && s.hi < 380 && scale == 1:
		s.say("unit", quoted("K"), between, false)
	case scale != 1:
		s.say("unit", quoted("Cel"), between, false)
		s.say("scale", fmt.Sprint(scale), fmt.Sprintf("whole numbers of that size are parts of a degree: %.6g would be %.4g °C", s.mid, s.mid*scale), true)
	case s.resting > 45 && s.hi < 130 && s.hi > 85:
		s.say("unit", quoted("degF"), fmt.Sprintf("%s and %.4g at rest: as °C no room and no mains is that warm", between, s.resting), true)
	default:
		s.say("unit", quoted("Cel"), between, false)
	}
}

// flowUnit says the unit of the flow, by what a shower draws: 5 to 15 l/min.
func flowUnit(s *series, runs []run, seconds []float64) {
	why := "it is 0 most of the time and above it in stretches"
	if c, ok := hinted(s.name); ok && c == greywatt.Flow {
		why = "the heading says so"
	}
	if !s.rises {
		var on []float64
		for _, r := range runs {
			for k := r.from; k < r.to; k++ {
				if v := s.values[k]; v > s.hi/20 {
					on = append(on, v)
				}
			}
		}
		s.take(greywatt.Flow, why, false)
		if len(on) == 0 {
			s.say("unit", quoted("l/min"), "nothing flows in the rows looked at", true)
			return
		}
		slices.Sort(on)
		mid := on[len(on)/2]
		if u := s.fromHeading; u != nil {
			s.say("unit", quoted(u.Name), fmt.Sprintf("the heading %q says so; half of the flows are above %.4g", s.name, mid), false)
			if u.Kind != quantity.Flow {
				s.counterNotes("since-last", u)
			}
			return
		}
		unit, doubt := "l/min", false
		switch {
		case mid < 0.28:
			unit = "l/s"
		case mid < 1:
			unit, doubt = "m3/h", true
		case mid < 4:
			unit, doubt = "l/min", true // gal/min is as likely
		case mid < 40:
		case mid < 2500:
			unit = "l/h"
		default:
			unit = "ml/min"
		}
		u, _ := quantity.ParseUnit(unit)
		s.say("unit", quoted(unit), fmt.Sprintf("half of the flows are above %.4g, which is %.3g l/min then; showers draw 5 to 15", mid, u.Convert(mid)*60), doubt)
		return
	}
	s.take(greywatt.Flow, fmt.Sprintf("it only rises, from %.8g to %.8g, and stands still most of the time: a counter", s.lo, s.hi), false)
	rise, time := 0.0, 0.0
	for _, r := range runs {
		from := max(r.from-1, 0)
		rise += s.values[r.to-1] - s.values[from]
		time += seconds[r.to-1] - seconds[from]
	}
	rate := rise / math.Max(time, 1) * 60
	switch u := s.fromHeading; {
	case u != nil && u.Kind == quantity.Flow:
		s.say("unit", quoted("l"), fmt.Sprintf("the heading says %s, and the values only rise", u.Name), true)
		s.counterNotes("total", nil)
	case u != nil && u.Kind != quantity.Pulses:
		s.say("unit", quoted(u.Name), fmt.Sprintf("the heading %q says so; it rises by %.4g a minute while water runs", s.name, rate), false)
		s.counterNotes("total", u)
	case u == nil && rate > 1 && rate < 30 && !s.whole():
		s.say("unit", quoted("l"), fmt.Sprintf("it rises by %.4g a minute while water runs; showers draw 5 to 15 l/min", rate), true)
		s.counterNotes("total", nil)
	case u == nil && rate < 0.05:
		s.say("unit", quoted("m3"), fmt.Sprintf("it rises by %.4g a minute while water runs; showers draw 0.005 to 0.015 m³/min", rate), true)
		s.counterNotes("total", nil)
	default:
		usual := 1.0
		for _, p := range []float64{1, 10, 100, 330, 396, 450, 485, 596, 660, 1000} {
			if math.Abs(math.Log(rate/p/8)) < math.Abs(math.Log(rate/usual/8)) {
				usual = p
			}
		}
		s.say("unit", quoted("pulse"), fmt.Sprintf("it rises by %.4g a minute while water runs", rate), u == nil)
		s.say("pulses_per_litre", fmt.Sprintf("%g", usual), fmt.Sprintf("makes that %.3g l/min; the meter's plate says what is right", rate/usual), true)
		s.counterNotes("total", nil)
	}
}

func (s *series) counterNotes(kind string, u *quantity.Unit) {
	if u != nil && u.Kind == quantity.Pulses && kind == "since-last" {
		s.say("pulses_per_litre", "450", "the meter's plate says what is right", true)
	}
	s.say("counter", quoted(kind), "", kind != "total")
	if top := 65536.0; kind == "total" && s.hi > 0.97*top && s.hi < top {
		s.say("rolls_over_at", "65536", fmt.Sprintf("the highest is %.0f: sixteen bits", s.hi), true)
	}
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
