package plots

import (
	"image/color"
	"math"
	"testing"
)

// luminance is the relative luminance of WCAG 2.2; its numbers and limits are from memory.
func luminance(c color.NRGBA) float64 {
	return 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
}

func linear(v uint8) float64 {
	x := float64(v) / 255
	if x <= 0.04045 {
		return x / 12.92
	}
	return math.Pow((x+0.055)/1.055, 2.4)
}

// contrast is WCAG 2.2's contrast ratio.
func contrast(a, b color.NRGBA) float64 {
	la, lb := luminance(a), luminance(b)
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
}

// lightness is CIE 1976 L*, 0 to 100.
func lightness(y float64) float64 {
	if y <= 216.0/24389 {
		return y * 24389 / 27
	}
	return 116*math.Cbrt(y) - 16
}

// lab returns CIELAB (D65) of linear sRGB; matrix of IEC 61966-2-1,
// from memory: its middle row is the luminance above, and white comes out as (100, 0, 0).
func lab(r, g, b float64) [3]float64 {
	f := func(t float64) float64 { return (lightness(t) + 16) / 116 }
	x := f((0.4124*r + 0.3576*g + 0.1805*b) / 0.9505)
	y := f(0.2126*r + 0.7152*g + 0.0722*b)
	z := f((0.0193*r + 0.1192*g + 0.9505*b) / 1.089)
	return [3]float64{116*y - 16, 500 * (x - y), 200 * (y - z)}
}

// Dichromats' sight as a matrix on linear sRGB: G. M. Machado, M. M. Oliveira
// and L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291,
// severity 1.0. Numbers from memory; each row must sum to 1, which is checked.
var sight = map[string][3][3]float64{
	"normal": {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protan": {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deutan": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritan": {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
}

func seen(c color.NRGBA, m [3][3]float64) [3]float64 {
	in := [3]float64{linear(c.R), linear(c.G), linear(c.B)}
	var out [3]float64
	for i := range out {
		for j := range in {
			out[i] += m[i][j] * in[j]
		}
		out[i] = math.Min(math.Max(out[i], 0), 1)
	}
	return lab(out[0], out[1], out[2])
}

func TestInksCanBeRead(t *testing.T) {
	for name, th := range map[string]theme{"light": light, "dark": dark} {
		for what, c := range map[string]color.NRGBA{"ink": th.ink, "soft": th.soft, "bad": th.bad, "good": th.good} {
			for _, ground := range []color.NRGBA{th.paper, th.steady} {
				if got := contrast(c, ground); got < 4.5 { // WCAG 2.2, 1.4.3, text
					t.Errorf("%s: %s has contrast %.2f, want 4.5", name, what, got)
				}
			}
		}
		lines := map[string]color.NRGBA{"flow": th.flow, "point": th.point, "fit": th.fit}
		for i, s := range th.port {
			lines["port "+string(rune('0'+i))] = s.color
		}
		for what, c := range lines {
			for _, ground := range []color.NRGBA{th.paper, th.steady} {
				if got := contrast(c, ground); got < 2.6 {
					t.Errorf("%s: %s on a ground has contrast %.2f, want 2.6", name, what, got)
				}
			}
			if got := contrast(c, th.paper); got < 3 { // WCAG 2.2, 1.4.11, graphics
				t.Errorf("%s: %s has contrast %.2f, want 3", name, what, got)
			}
		}
	}
}

// The four ports must be told apart by colour under any sight, and by
// lightness within each pair and in a grey print; the dashes differ besides.
func TestPortsCanBeToldApart(t *testing.T) {
	for who, m := range sight {
		for i, row := range m {
			if s := row[0] + row[1] + row[2]; math.Abs(s-1) > 1e-5 {
				t.Errorf("%s: row %d sums to %g", who, i, s)
			}
		}
	}
	for name, th := range map[string]theme{"light": light, "dark": dark} {
		for i := range th.port {
			for j := range i {
				a, b := th.port[i], th.port[j]
				for who, m := range sight {
					p, q := seen(a.color, m), seen(b.color, m)
					if d := math.Hypot(math.Hypot(p[0]-q[0], p[1]-q[1]), p[2]-q[2]); d < 20 {
						t.Errorf("%s, %s: ports %d and %d differ by ΔE %.1f, want 20", name, who, j, i, d)
					}
				}
				if len(a.dash) == len(b.dash) && (len(a.dash) == 0 || a.dash[0] == b.dash[0]) {
					t.Errorf("%s: ports %d and %d have the same dash", name, j, i)
				}
			}
		}
		// waste in against waste out, preheat out against cold in, and the two strong ones
		for _, pair := range [][2]int{{0, 1}, {3, 2}, {0, 3}} {
			a, b := lightness(luminance(th.port[pair[0]].color)), lightness(luminance(th.port[pair[1]].color))
			if d := math.Abs(a - b); d < 7 {
				t.Errorf("%s: ports %d and %d differ by %.1f in lightness, want 7", name, pair[0], pair[1], d)
			}
		}
	}
}
