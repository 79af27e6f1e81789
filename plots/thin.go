package plots

import "math"

// thin returns the points of one line that its picture needs. First the points
// of each px column are cut to the first, the lowest, the highest and the last;
// then those go that lie within tol px, upright, of the line through their
// neighbours (Douglas and Peucker's halving, The Canadian Cartographer 10
// (1973) 112, with the upright distance for theirs). Extremes stay to within
// tol. x must not fall.
func thin(ps []point, tol float64) []point {
	ps = columns(ps)
	if len(ps) < 3 {
		return ps
	}
	keep := make([]bool, len(ps))
	keep[0], keep[len(ps)-1] = true, true
	type stretch struct{ i, j int }
	todo := []stretch{{0, len(ps) - 1}}
	for len(todo) > 0 {
		s := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		a, b := ps[s.i], ps[s.j]
		worst, at := tol, 0
		for k := s.i + 1; k < s.j; k++ {
			y := a.y
			if b.x > a.x {
				y += (b.y - a.y) * (ps[k].x - a.x) / (b.x - a.x)
			}
			if d := math.Abs(ps[k].y - y); d > worst {
				worst, at = d, k
			}
		}
		if at > 0 {
			keep[at] = true
			todo = append(todo, stretch{s.i, at}, stretch{at, s.j})
		}
	}
	out := ps[:0:0]
	for i, k := range keep {
		if k {
			out = append(out, ps[i])
		}
	}
	return out
}

// columns keeps at most four points of each px column.
func columns(ps []point) []point {
	var out []point
	for i := 0; i < len(ps); {
		col := math.Floor(ps[i].x)
		first, lowest, highest := i, i, i
		for ; i < len(ps) && math.Floor(ps[i].x) == col; i++ {
			if ps[i].y < ps[lowest].y {
				lowest = i
			}
			if ps[i].y > ps[highest].y {
				highest = i
			}
		}
		kept := []int{first, min(lowest, highest), max(lowest, highest), i - 1}
		for j, k := range kept {
			if j == 0 || k != kept[j-1] {
				out = append(out, ps[k])
			}
		}
	}
	return out
}

// binPx is the width over which a dense line is averaged: a dash pattern
// survives on the mean, not on the noise.
const binPx = 3

// A summary is a line with more points than its picture can show: its mean
// over every binPx, and the ground between its lowest and highest points.
type summary struct {
	mean   []point
	ribbon []point // a polygon; none where the line's own width hides it
}

// summarise returns the summary of a line of the given width, thinned to tol
// px. A line with fewer than two points a bin is its own mean.
func summarise(ps []point, width, tol float64) summary {
	if n := len(ps); n < 4 || float64(n) < 2*(ps[n-1].x-ps[0].x)/binPx {
		return summary{mean: thin(ps, tol)}
	}
	mean := []point{ps[0]}
	var low, high []point
	off := 0.0
	for i := 0; i < len(ps); {
		bin := math.Floor(ps[i].x / binPx)
		l, h, m, n := ps[i], ps[i], point{}, 0.0
		for ; i < len(ps) && math.Floor(ps[i].x/binPx) == bin; i++ {
			if ps[i].y > l.y {
				l = ps[i]
			}
			if ps[i].y < h.y {
				h = ps[i]
			}
			m.x += ps[i].x
			m.y += ps[i].y
			n++
		}
		m.x /= n
		m.y /= n
		mean, low, high = append(mean, m), append(low, l), append(high, h)
		off = math.Max(off, math.Max(l.y-m.y, m.y-h.y))
	}
	s := summary{mean: thin(append(mean, ps[len(ps)-1]), tol)}
	if off > width/2+0.5 {
		s.ribbon = thin(high, tol)
		low = thin(low, tol)
		for i := range low {
			s.ribbon = append(s.ribbon, low[len(low)-1-i])
		}
	}
	return s
}
