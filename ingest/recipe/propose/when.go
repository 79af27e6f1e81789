package propose

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"greywatt/ingest/recipe/civil"
)

// A when is where the times are.
type when struct {
	columns []int
	format  string
	local   bool
	seconds []float64 // since 1970, of the clock as written; NaN where it cannot be read
	why     string
	doubt   bool
}

// patterns are hundreds, a megabyte that most programs never need.
var patterns = sync.OnceValue(func() (formats []*civil.Format) {
	all := []string{"rfc3339"}
	dates := []string{"YYYY-MM-DD", "YYYY/MM/DD", "YYYY.MM.DD", "DD.MM.YYYY", "D.M.YYYY", "DD/MM/YYYY", "MM/DD/YYYY", "D/M/YYYY", "M/D/YYYY",
		"DD-MM-YYYY", "MM-DD-YYYY", "DD.MM.YY", "DD/MM/YY", "MM/DD/YY", "DD-MM-YY", "YYYYMMDD", "DD MON YYYY", "D MON YYYY", "DD-MON-YYYY", "DD-MON-YY"}
	clocks := []string{"hh:mm:ss", "hh:mm", "hh:mm:ss.fff", "hh:mm:ss,fff", "h:mm:ss AM", "h:mm AM", "h:mm:ss", "h:mm", "hhmmss", "hh.mm.ss"}
	for _, d := range dates {
		for _, join := range []string{" ", "T", ", "} {
			for _, c := range clocks {
				all = append(all, d+join+c, d+join+c+"ZZZ", d+join+c+" ZZZ")
			}
		}
	}
	for _, p := range all {
		f, err := civil.ParseFormat(p)
		if err != nil {
			panic("propose: " + err.Error())
		}
		formats = append(formats, f)
	}
	return formats
})

// findTime looks for the column, or two, that hold the time.
func findTime(g *grid, zone *time.Location) (*when, error) {
	var best *when
	consider := func(w *when) {
		if w != nil && (best == nil || score(w) > score(best)) {
			best = w
		}
	}
	for i := range g.names {
		consider(numbersAsTime(g, i))
	}
	for i := range g.names {
		consider(textAsTime(g, []int{i}))
	}
	if best == nil {
		for i := range g.names {
			for j := range g.names {
				if i != j && digits(g.cell(i)) >= 5 && digits(g.cell(j)) >= 3 {
					consider(textAsTime(g, []int{i, j}))
				}
			}
		}
	}
	if best == nil {
		return nil, fmt.Errorf("no column holds times that can be read; the columns are %s", strings.Join(g.names, ", "))
	}
	if other := otherOrder(g, best); other != nil {
		best.doubt = true
		// In North America the month is written first; between strokes only.
		if zone != nil && strings.HasPrefix(zone.String(), "America/") && strings.HasPrefix(other.format, "M") && strings.Contains(other.format, "/") {
			other.doubt, other.why, best = true, best.why, other
		}
	}
	return best, nil
}

// score is the share of rows with a time, less those that go back.
func score(w *when) float64 {
	ok, back, last := 0, 0, math.NaN()
	for _, s := range w.seconds {
		if s != s {
			continue
		}
		ok++
		if s < last {
			back++
		}
		last = s
	}
	forward := min(back, max(0, ok-1-back)) // newest first is an order too
	return (float64(ok) - 0.5*float64(forward)) / float64(len(w.seconds))
}

const (
	from2005 = 1.1e9 // s
	to2100   = 4.1e9
)

func numbersAsTime(g *grid, i int) *when {
	w := &when{columns: []int{i}}
	lo, hi, n := math.Inf(1), math.Inf(-1), 0
	for _, c := range g.column(i) {
		v := g.number(c)
		w.seconds = append(w.seconds, v)
		if v == v {
			lo, hi, n = min(lo, v), max(hi, v), n+1
		}
	}
	if n*10 < len(w.seconds)*9 || lo == hi {
		return nil
	}
	for _, f := range []struct {
		format string
		scale  float64
	}{{"unix-s", 1}, {"unix-ms", 1e3}, {"unix-us", 1e6}, {"unix-ns", 1e9}} {
		if lo > from2005*f.scale && hi < to2100*f.scale {
			for k := range w.seconds {
				w.seconds[k] /= f.scale
			}
			w.format, w.why = f.format, fmt.Sprintf("%.12g as %s is %s", lo, f.format, time.Unix(int64(lo/f.scale), 0).UTC().Format("2006-01-02 15:04"))
			return w
		}
	}
	if lo > 38_000 && hi < 73_000 && lo != math.Trunc(lo) {
		for k := range w.seconds {
			w.seconds[k] = math.Round((w.seconds[k] - 25569) * 86400)
		}
		w.format, w.local, w.why = "excel", true, "numbers of this size with a fraction are a spreadsheet's days"
		return w
	}
	return nil
}

// textAsTime tries all patterns on a few rows, and those that fit on all.
func textAsTime(g *grid, columns []int) *when {
	texts := g.column(columns[0])
	if len(columns) == 2 {
		second := g.column(columns[1])
		for k := range texts {
			texts[k] += " " + second[k]
		}
	}
	probe := []string{}
	for k := 0; k < len(texts) && len(probe) < 8; k += 1 + len(texts)/8 {
		probe = append(probe, texts[k])
	}
	var best *when
	if !slices.ContainsFunc(probe, func(text string) bool { return digits(text) >= 5 }) {
		return nil
	}
	for _, f := range patterns() {
		if len(columns) == 2 && f.String() == "rfc3339" {
			continue
		}
		r, misses := civil.NewReader(f, time.UTC, false), 0
		for _, text := range probe {
			if _, err := r.Read([]byte(text), new(civil.Track)); err != nil {
				if misses++; misses*4 > len(probe) {
					break
				}
			}
		}
		if misses*4 > len(probe) {
			continue
		}
		w := &when{columns: columns, format: f.String(), local: f.Local(), seconds: make([]float64, len(texts))}
		track := new(civil.Track)
		for k, text := range texts {
			at, err := r.Read([]byte(text), track)
			w.seconds[k] = math.NaN()
			if err == nil {
				w.seconds[k] = float64(at) / 1e6
			}
		}
		if best == nil || score(w) > score(best)+1e-9 {
			w.why = fmt.Sprintf("%q fits", texts[0])
			best = w
		}
	}
	if best == nil || score(best) < 0.7 {
		return nil
	}
	return best
}

func digits(text string) (n int) {
	for _, c := range text {
		if c >= '0' && c <= '9' {
			n++
		}
	}
	return n
}

// cell returns a cell in the middle of a column.
func (g *grid) cell(i int) string {
	if row := g.rows[len(g.rows)/2]; i < len(row) {
		return row[i]
	}
	return ""
}

// otherOrder returns the times with day and month the other way round, where
// that fits as well.
func otherOrder(g *grid, w *when) *when {
	swapped := strings.NewReplacer("AM", "AM", "DD", "MM", "MM", "DD", "D", "M", "M", "D").Replace(w.format)
	if swapped == w.format || !strings.ContainsAny(w.format[:2], "DM") || strings.Contains(w.format, "MON") {
		return nil
	}
	f, err := civil.ParseFormat(swapped)
	if err != nil {
		return nil
	}
	other := &when{columns: w.columns, format: swapped, local: w.local, seconds: make([]float64, len(w.seconds))}
	r, track := civil.NewReader(f, time.UTC, false), new(civil.Track)
	second := g.column(w.columns[len(w.columns)-1])
	for k, text := range g.column(w.columns[0]) {
		if len(w.columns) == 2 {
			text += " " + second[k]
		}
		at, err := r.Read([]byte(text), track)
		other.seconds[k] = math.NaN()
		if err == nil {
			other.seconds[k] = float64(at) / 1e6
		}
	}
	if score(other) > score(w)-0.05 {
		return other
	}
	return nil
}

// newestFirst reports whether the rows go back in time.
func (w *when) newestFirst() bool {
	back, on := 0, 0
	for k := 1; k < len(w.seconds); k++ {
		switch d := w.seconds[k] - w.seconds[k-1]; {
		case d < 0:
			back++
		case d > 0:
			on++
		}
	}
	return back > 4*on+1
}

// zoneOf proposes the zone of local times from the hours at which warm water
// runs, and from hours that the study's zone does not have.
func zoneOf(g *grid, w *when, study *time.Location, showers []float64) (zone, why string, doubt bool) {
	if hour, ok := missingHour(w, study); ok {
		offset := -standardOffset(study, w) / 3600
		return fmt.Sprintf("Etc/GMT%+d", offset), fmt.Sprintf("it has rows at %s, an hour that %s left out: the clock knows no summer time", hour, study), true
	}
	const few = 5
	if len(showers) < few {
		return study.String(), "the study's zone; the data has too few draws of warm water to tell", true
	}
	hours := [24]int{}
	for _, s := range showers {
		hours[int(math.Mod(s/3600, 24))]++
	}
	// People shower from 5 to 10 and from 17 to 23: that many of the draws.
	share := func(shift int) float64 {
		n := 0
		for h, k := range hours {
			if local := (h + shift + 24) % 24; local >= 5 && local < 10 || local >= 17 && local < 23 {
				n += k
			}
		}
		return float64(n) / float64(len(showers))
	}
	asStudy := share(0)
	offset := standardOffset(study, w) / 3600
	if asUTC := share(offset); offset != 0 && asUTC > asStudy+0.15 {
		return "UTC", fmt.Sprintf("as UTC %.0f %% of %d draws of warm water fall in the hours of showers, as %s %.0f %%", 100*asUTC, len(showers), study, 100*asStudy), asUTC < 0.6
	}
	return study.String(), fmt.Sprintf("the study's zone: %.0f %% of %d draws of warm water fall in the hours of showers then", 100*asStudy, len(showers)), asStudy < 0.6
}

func standardOffset(zone *time.Location, w *when) int {
	year := 2026
	for _, s := range w.seconds {
		if s == s {
			year = time.Unix(int64(s), 0).UTC().Year()
			break
		}
	}
	_, january := time.Date(year, 1, 1, 0, 0, 0, 0, zone).Zone()
	_, july := time.Date(year, 7, 1, 0, 0, 0, 0, zone).Zone()
	return min(january, july)
}

// missingHour finds a time that the zone's clock left out.
func missingHour(w *when, zone *time.Location) (string, bool) {
	f, err := civil.ParseFormat("YYYY-MM-DD hh:mm:ss")
	if err != nil {
		panic("propose: " + err.Error())
	}
	r, track := civil.NewReader(f, zone, false), new(civil.Track)
	for _, s := range w.seconds {
		if s != s {
			continue
		}
		text := time.Unix(int64(s), 0).UTC().Format("2006-01-02 15:04:05")
		if _, err := r.Read([]byte(text), track); err != nil && strings.Contains(err.Error(), "does not exist") {
			return text, true
		}
	}
	return "", false
}

// order returns the places of the rows with a time, in its order.
func (w *when) order() []int {
	var at []int
	for k, s := range w.seconds {
		if s == s {
			at = append(at, k)
		}
	}
	slices.SortStableFunc(at, func(a, b int) int {
		switch {
		case w.seconds[a] < w.seconds[b]:
			return -1
		case w.seconds[a] > w.seconds[b]:
			return 1
		}
		return 0
	})
	return at
}
