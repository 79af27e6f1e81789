package plots

import (
	"image/color"
	"math"
	"strings"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// A pen is the part of [vg.Canvas] that the charts need. Its origin is the
// lower left corner, as with vg.
type pen interface {
	SetColor(color.Color)
	SetLineWidth(vg.Length)
	SetLineDash(pattern []vg.Length, offset vg.Length)
	Stroke(vg.Path)
	Fill(vg.Path)
	FillString(f font.Face, at vg.Point, s string)
}

// A dotter is a pen with a shorter way to many equal discs.
type dotter interface {
	dots(at []vg.Point, radius vg.Length)
}

// A point is a place on a canvas in px from its upper left corner.
type point struct{ x, y float64 }

// A box is a rectangle on a canvas.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) width() float64  { return b.x1 - b.x0 }
func (b box) height() float64 { return b.y1 - b.y0 }

// inset returns b without a margin of d.
func (b box) inset(d float64) box { return box{b.x0 + d, b.y0 + d, b.x1 - d, b.y1 - d} }

// A canvas paints with a pen in px from the upper left corner.
type canvas struct {
	pen
	w, h   float64
	theme  theme
	paper  float64 // height of the whole picture, in the pen's unit
	origin point   // of the canvas on the picture, in the pen's unit
	zoom   float64 // the pen's unit per px
}

func (c *canvas) bounds() box { return box{0, 0, c.w, c.h} }

// part returns the part b of c as a canvas of its own, with everything on it
// drawn zoom times as large.
func (c *canvas) part(b box, zoom float64) *canvas {
	p := *c
	p.w, p.h = b.width()/zoom, b.height()/zoom
	p.origin = point{c.origin.x + b.x0*c.zoom, c.origin.y + b.y0*c.zoom}
	p.zoom = c.zoom * zoom
	return &p
}

func (c *canvas) at(p point) vg.Point {
	return vg.Point{X: vg.Length(c.origin.x + p.x*c.zoom), Y: vg.Length(c.paper - c.origin.y - p.y*c.zoom)}
}

// A stroke is how a line looks; no dashes is a solid line.
type stroke struct {
	color color.NRGBA
	width float64
	dash  []float64
}

func (c *canvas) use(s stroke) {
	c.SetColor(s.color)
	c.SetLineWidth(vg.Length(s.width * c.zoom))
	dash := make([]vg.Length, len(s.dash))
	for i, d := range s.dash {
		dash[i] = vg.Length(d * c.zoom)
	}
	c.SetLineDash(dash, 0)
}

// lines paints the pieces of one line. A piece of one point is drawn as a dot,
// so that a lone reading between two gaps is seen.
func (c *canvas) lines(s stroke, pieces ...[]point) {
	var path vg.Path
	var lone []point
	for _, piece := range pieces {
		if len(piece) == 1 {
			lone = append(lone, piece[0])
			continue
		}
		for i, p := range piece {
			if i == 0 {
				path.Move(c.at(p))
			} else {
				path.Line(c.at(p))
			}
		}
	}
	if len(path) > 0 {
		c.use(s)
		c.Stroke(path)
	}
	c.dots(lone, s.width*0.75, s.color)
}

// within returns the pieces of lines cut to b.
func within(b box, pieces [][]point) [][]point {
	clip := draw.Canvas{Rectangle: vg.Rectangle{
		Min: vg.Point{X: vg.Length(b.x0), Y: vg.Length(b.y0)},
		Max: vg.Point{X: vg.Length(b.x1), Y: vg.Length(b.y1)},
	}}
	var out [][]point
	for _, piece := range pieces {
		vgs := make([]vg.Point, len(piece))
		for i, p := range piece {
			vgs[i] = vg.Point{X: vg.Length(p.x), Y: vg.Length(p.y)}
		}
		if len(vgs) == 1 {
			if clip.Contains(vgs[0]) {
				out = append(out, piece)
			}
			continue
		}
		for _, l := range clip.ClipLinesXY(vgs) {
			ps := make([]point, len(l))
			for i, p := range l {
				ps[i] = point{float64(p.X), float64(p.Y)}
			}
			out = append(out, ps)
		}
	}
	return out
}

// area fills the polygon.
func (c *canvas) area(clr color.NRGBA, ps []point) {
	var path vg.Path
	for i, p := range ps {
		if i == 0 {
			path.Move(c.at(p))
		} else {
			path.Line(c.at(p))
		}
	}
	path.Close()
	c.SetColor(clr)
	c.Fill(path)
}

func (c *canvas) rect(b box, clr color.NRGBA) {
	c.area(clr, []point{{b.x0, b.y0}, {b.x1, b.y0}, {b.x1, b.y1}, {b.x0, b.y1}})
}

func (c *canvas) hline(s stroke, x0, x1, y float64) { c.lines(s, []point{{x0, y}, {x1, y}}) }
func (c *canvas) vline(s stroke, x, y0, y1 float64) { c.lines(s, []point{{x, y0}, {x, y1}}) }

// dots paints a disc at each point.
func (c *canvas) dots(ps []point, radius float64, clr color.NRGBA) {
	if len(ps) == 0 {
		return
	}
	c.SetColor(clr)
	radius *= c.zoom
	at := make([]vg.Point, len(ps))
	for i, p := range ps {
		at[i] = c.at(p)
	}
	if d, ok := c.pen.(dotter); ok {
		d.dots(at, vg.Length(radius))
		return
	}
	for _, p := range at {
		var path vg.Path
		path.Move(vg.Point{X: p.X + vg.Length(radius), Y: p.Y})
		path.Arc(p, vg.Length(radius), 0, 2*math.Pi)
		path.Close()
		c.Fill(path)
	}
}

// A style is how text looks.
type style struct {
	size  float64 // px
	bold  bool
	color color.NRGBA
	align float64 // 0: the point is the text's left end; 0.5: its middle; 1: its right end
}

// text writes s with its baseline at p.
func (c *canvas) text(p point, s string, st style) {
	if s == "" {
		return
	}
	p.x -= st.align * st.measure(s)
	c.SetColor(st.color)
	f := st.face()
	f.Font.Size *= vg.Length(c.zoom)
	c.FillString(f, c.at(p), s)
}

// A typeface is an embedded font with the widths of the common letters.
type typeface struct {
	font  *opentype.Font
	width [0x250]float64 // of Latin letters, per unit of size
}

// typefaces holds regular and bold, parsed once.
var typefaces = sync.OnceValue(func() *[2]typeface {
	var out [2]typeface
	for i, ttf := range [2][]byte{liberationsansregular.TTF, liberationsansbold.TTF} {
		parsed, err := opentype.Parse(ttf)
		if err != nil {
			panic("plots: embedded font: " + err.Error())
		}
		out[i].font = parsed
		unit := font.Face{Font: font.Font{Size: 1}, Face: parsed}
		for r := range out[i].width {
			out[i].width[r] = float64(unit.Width(string(rune(r))))
		}
	}
	return &out
})

func (st style) face() font.Face {
	f := font.Face{
		Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Length(st.size)},
		Face: typefaces()[0].font,
	}
	if st.bold {
		f.Font.Weight, f.Face = xfont.WeightBold, typefaces()[1].font
	}
	return f
}

// measure returns the width of s in px, without kerning: at the size of a
// chart's text a kerned pair runs together.
func (st style) measure(s string) float64 { return advance(st.face(), s) }

func advance(f font.Face, s string) float64 {
	face := &typefaces()[0]
	if f.Font.Weight == xfont.WeightBold {
		face = &typefaces()[1]
	}
	w, size := 0.0, float64(f.Font.Size)
	for _, r := range s {
		if int(r) < len(face.width) {
			w += face.width[r] * size
		} else {
			w += float64(f.Width(string(r)))
		}
	}
	return w
}

// wrap breaks s into at most n lines no wider than width. What does not fit
// ends in an ellipsis; a word too long for a line is broken.
func (st style) wrap(s string, width float64, n int) []string {
	var lines []string
	words := strings.Fields(s)
	for len(words) > 0 {
		line := words[0]
		used := 1
		for used < len(words) && st.measure(line+" "+words[used]) <= width {
			line += " " + words[used]
			used++
		}
		words = words[used:]
		if st.measure(line) > width {
			head, tail := st.breakWord(line, width)
			line = head
			if tail != "" {
				words = append([]string{tail}, words...)
			}
		}
		if len(lines) == n-1 && len(words) > 0 {
			return append(lines, st.cut(line+" "+words[0], width))
		}
		lines = append(lines, line)
	}
	return lines
}

// breakWord returns what of s fits in width, at least one letter, and the rest.
func (st style) breakWord(s string, width float64) (head, tail string) {
	runes := []rune(s)
	n := len(runes)
	for n > 1 && st.measure(string(runes[:n])) > width {
		n--
	}
	return string(runes[:n]), string(runes[n:])
}

// cut shortens s to width, with an ellipsis in place of what is lost.
func (st style) cut(s string, width float64) string {
	head, _ := st.breakWord(s, width-st.measure("…"))
	return strings.TrimRight(head, " ,;:.") + "…"
}

// fit returns s, shortened where it is wider than width.
func (st style) fit(s string, width float64) string {
	if st.measure(s) <= width {
		return s
	}
	return st.cut(s, width)
}
