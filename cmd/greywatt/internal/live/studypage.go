package live

import (
	"bytes"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/plots"
	"greywatt/plots/wording"
)

// A tally counts the dwellings of one connection, or of all, by finding.
type tally struct {
	Name, Href string
	N          int
	Counts     []tallied
	Median     string // of the latest showers' ratios
	Lowest     string
	Highest    string
}

type tallied struct{ Words, Href, N string }

// study shows how the dwellings are spread: findings by connection, and each
// dwelling's latest ratio.
func (p *Page) study(w http.ResponseWriter, r *http.Request) error {
	p.refreshOverview()
	p.cache.mu.Lock()
	rows := slices.Clone(p.cache.rows)
	p.cache.mu.Unlock()
	data := struct {
		frame
		Words   string
		Heads   []string
		Tallies []tally
		Picture picturePart
	}{frame: p.frame(r, "Study")}
	data.At = "study"
	var codes []finding.Code
	for _, code := range append(slices.Clone(severities), finding.Undecided, finding.Healthy) {
		if slices.ContainsFunc(rows, func(one cachedRow) bool { return one.row.Code == code }) {
			codes = append(codes, code)
		}
	}
	for _, code := range codes {
		data.Heads = append(data.Heads, wording.Capital(wording.Plain(code)))
	}
	for _, connection := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC, 0} {
		if t := tallyOf(rows, codes, connection); t.N > 0 {
			data.Tallies = append(data.Tallies, t)
		}
	}
	shown, height := 0, 0
	for i := range rows {
		if rows[i].row.RatioV > 0 {
			shown++
		}
	}
	data.Words = fmt.Sprintf("%s, %d with a ratio of the latest shower.", wording.Capital(count(len(rows), "dwelling")), shown)
	if shown > 0 {
		height = distributionHeight(studyWidth, len(rows))
		data.Picture = picturePart{
			Src: "/study/distribution.svg?v=" + strconv.FormatInt(p.boardVersion(), 10), Alt: "Each dwelling’s ratio of the latest shower with its uncertainty, faults first; the overview has the figures.",
			W: studyWidth, H: height, NarrowW: studyNarrow, NarrowH: distributionHeight(studyNarrow, len(rows)),
		}
	}
	return render(w, http.StatusOK, "study", &data)
}

func (p *Page) boardVersion() int64 {
	p.cache.mu.Lock()
	defer p.cache.mu.Unlock()
	return p.cache.version
}

// tallyOf counts the rows of one connection; 0 stands for all.
func tallyOf(rows []cachedRow, codes []finding.Code, connection greywatt.Connection) tally {
	t := tally{Name: "All", Href: "/"}
	query := url.Values{}
	if connection != 0 {
		t.Name = connection.String()
		query.Set("connection", t.Name)
		t.Href = "/?" + query.Encode()
	}
	counts := map[finding.Code]int{}
	var ratios []float64
	for i := range rows {
		r := &rows[i].row
		if connection != 0 && r.Connection != connection {
			continue
		}
		t.N++
		counts[r.Code]++
		if r.RatioV > 0 {
			ratios = append(ratios, r.RatioV)
		}
	}
	for _, code := range codes {
		query.Set("show", string(code))
		t.Counts = append(t.Counts, tallied{wording.Capital(wording.Plain(code)), "/?" + query.Encode(), strconv.Itoa(counts[code])})
	}
	t.Median, t.Lowest, t.Highest = wording.Unknown, wording.Unknown, wording.Unknown
	if n := len(ratios); n > 0 {
		slices.Sort(ratios)
		t.Median = wording.Fixed((ratios[(n-1)/2]+ratios[n/2])/2, 2)
		t.Lowest, t.Highest = wording.Fixed(ratios[0], 2), wording.Fixed(ratios[n-1], 2)
	}
	return t
}

// Sizes of the distribution, px.
const (
	studyWidth  = 900
	studyNarrow = 358
)

// distributionHeight returns the height, px, of a distribution of n rows: all of
// the room that they want for a few, less for many.
func distributionHeight(width, n int) int {
	const frame, row, few, most = 150, 12, 24, 1600
	height := max(plots.DistributionHeight(width, min(n, few)), frame+row*n)
	return max(min(height, most), frame+3*n)
}

func (p *Page) distribution(w http.ResponseWriter, r *http.Request) error {
	chart := plots.DistributionChart{Title: "Latest shower, dwelling by dwelling", Interval: "expanded uncertainty, k = 2"}
	for _, d := range p.dwellings {
		d.mu.Lock()
		nan := math.NaN()
		row := plots.DistributionRow{Name: d.ID, Median: nan, Lo: nan, Hi: nan}
		if e := d.past.Latest; e != nil {
			row.Median, row.Lo, row.Hi, row.Events = e.Ratio, e.Ratio-e.RatioU95, e.Ratio+e.RatioU95, 1
		}
		if fs := d.past.Diagnosis.Findings; len(fs) > 0 {
			row.Finding = fs[0].Code
		}
		d.mu.Unlock()
		chart.Rows = append(chart.Rows, row)
	}
	size := chartSize{studyWidth, distributionHeight(studyWidth, len(chart.Rows)), studyNarrow, distributionHeight(studyNarrow, len(chart.Rows))}
	var svg bytes.Buffer
	if err := plots.Write(&svg, size.output(r), chart); err != nil {
		return err
	}
	return writeSVG(w, &svg)
}
