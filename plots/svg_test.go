package plots

import (
	"bytes"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
)

// What the pen writes reads back as what was drawn, to half a tenth of a px:
// relative steps do not add up their rounding.
func TestSVGPathsReadBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	for range 200 {
		pen := newSVG(300, 200, meta{})
		var path vg.Path
		var want [][]point
		var at point
		for i := range 60 {
			if rng.IntN(3) > 0 {
				at.x = 300 * rng.Float64()
			}
			if rng.IntN(3) > 0 {
				at.y = 200 * rng.Float64()
			}
			p := vg.Point{X: vg.Length(at.x), Y: vg.Length(200 - at.y)}
			if i == 0 || rng.IntN(15) == 0 {
				path.Move(p)
				want = append(want, nil)
			} else {
				path.Line(p)
			}
			want[len(want)-1] = append(want[len(want)-1], at)
		}
		pen.Stroke(path)
		var b bytes.Buffer
		if _, err := pen.WriteTo(&b); err != nil {
			t.Fatal(err)
		}
		got := readSVG(t, b.Bytes()).shapes[0].pieces
		if len(got) != len(want) {
			t.Fatalf("%d pieces, want %d", len(got), len(want))
		}
		for i := range want {
			k := 0
			for _, p := range want[i] {
				// A step of no length is not written.
				if k > 0 && near(got[i][k-1], p) && (k == len(got[i]) || !near(got[i][k], p)) {
					continue
				}
				if k >= len(got[i]) || !near(got[i][k], p) {
					t.Fatalf("piece %d: want %.2f at %d in %.2f", i, p, k, got[i])
				}
				k++
			}
		}
	}
}

func near(a, b point) bool { return math.Abs(a.x-b.x) < 0.051 && math.Abs(a.y-b.y) < 0.051 }

func TestSVGEscapes(t *testing.T) {
	pen := newSVG(300, 200, meta{title: `a<b & "c"`, description: "d > e"})
	st := style{size: 10}
	pen.FillString(st.face(), vg.Point{X: 5, Y: 5}, `<script>"&'`)
	var b bytes.Buffer
	if _, err := pen.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	p := readSVG(t, b.Bytes())
	if p.title != `a<b & "c"` || p.desc != "d > e" || len(p.texts) != 1 || p.texts[0].s != `<script>"&'` {
		t.Errorf("%q, %q, %v", p.title, p.desc, p.texts)
	}
	if !strings.Contains(b.String(), `role="img"`) {
		t.Error("no role")
	}
}
