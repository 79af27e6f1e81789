package plots

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image/color"
	"io"
	"math"
	"strconv"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// fontFamily names the font that the layout is measured in, then fonts with
// the same widths or near.
const fontFamily = "'Liberation Sans',Arial,Helvetica,'Nimbus Sans',sans-serif"

// An svg is a pen that writes SVG 1.1. It is our own instead of vgsvg because
// it must use presentation attributes in place of style attributes, give each
// text its width, and write paths in few bytes: relative, in tenths of a px.
type svg struct {
	body   bytes.Buffer
	h      float64
	color  color.NRGBA
	width  vg.Length
	dashes []vg.Length
}

func newSVG(w, h float64, m meta) *svg {
	s := &svg{h: h}
	fmt.Fprintf(&s.body, `<svg xmlns="http://www.w3.org/2000/svg" width="%[1]g" height="%[2]g" viewBox="0 0 %[1]g %[2]g" role="img" aria-label="%[3]s" font-family="%[4]s" stroke-linejoin="round">`+"\n<title>%[3]s</title>\n",
		w, h, escape(m.title), fontFamily)
	if m.description != "" {
		fmt.Fprintf(&s.body, "<desc>%s</desc>\n", escape(m.description))
	}
	return s
}

func (s *svg) WriteTo(w io.Writer) (int64, error) {
	s.body.WriteString("</svg>\n")
	return s.body.WriteTo(w)
}

func (s *svg) SetColor(c color.Color)                    { s.color = color.NRGBAModel.Convert(c).(color.NRGBA) }
func (s *svg) SetLineWidth(w vg.Length)                  { s.width = w }
func (s *svg) SetLineDash(dash []vg.Length, _ vg.Length) { s.dashes = dash }

func (s *svg) Stroke(p vg.Path) {
	s.body.WriteString(`<path fill="none"`)
	s.paint("stroke")
	fmt.Fprintf(&s.body, ` stroke-width="%s"`, decimal(float64(s.width)))
	if len(s.dashes) > 0 {
		s.body.WriteString(` stroke-dasharray="`)
		for i, d := range s.dashes {
			if i > 0 {
				s.body.WriteByte(' ')
			}
			s.body.WriteString(decimal(float64(d)))
		}
		s.body.WriteByte('"')
	}
	s.path(p)
}

func (s *svg) Fill(p vg.Path) {
	s.body.WriteString("<path")
	s.paint("fill")
	s.path(p)
}

// dots writes discs as the round ends of lines without length.
func (s *svg) dots(at []vg.Point, radius vg.Length) {
	s.body.WriteString(`<path fill="none" stroke-linecap="round"`)
	s.paint("stroke")
	fmt.Fprintf(&s.body, ` stroke-width="%s" d="`, decimal(2*float64(radius)))
	var x, y int
	for _, p := range at {
		px, py := s.tenths(p)
		s.step('m', 0, []int{px - x, py - y})
		s.body.WriteString("h0")
		x, y = px, py
	}
	s.body.WriteString("\"/>\n")
}

func (s *svg) FillString(f font.Face, at vg.Point, text string) {
	x, y := s.tenths(at)
	fmt.Fprintf(&s.body, `<text x="%s" y="%s" font-size="%s"`, tenth(x), tenth(y), decimal(float64(f.Font.Size)))
	if f.Font.Weight == xfont.WeightBold {
		s.body.WriteString(` font-weight="bold"`)
	}
	s.paint("fill")
	fmt.Fprintf(&s.body, " textLength=\"%s\" lengthAdjust=\"spacingAndGlyphs\">%s</text>\n",
		decimal(math.Round(10*advance(f, text))/10), escape(text))
}

func (s *svg) paint(attribute string) {
	fmt.Fprintf(&s.body, ` %s="#%02x%02x%02x"`, attribute, s.color.R, s.color.G, s.color.B)
	if s.color.A < 255 {
		fmt.Fprintf(&s.body, ` %s-opacity="%.2g"`, attribute, float64(s.color.A)/255)
	}
}

// path writes a path of straight lines as steps between points rounded to a
// tenth of a px; the rounding does not add up.
func (s *svg) path(p vg.Path) {
	s.body.WriteString(` d="`)
	var x, y, x0, y0 int
	var last byte
	for _, comp := range p {
		px, py := s.tenths(comp.Pos)
		step := []int{px - x, py - y}
		var command byte
		switch comp.Type {
		case vg.MoveComp:
			command = 'm'
			x0, y0 = px, py
		case vg.LineComp:
			switch {
			case px == x && py == y:
				continue
			case py == y:
				command, step = 'h', step[:1]
			case px == x:
				command, step = 'v', step[1:]
			default:
				command = 'l'
			}
		case vg.CloseComp:
			s.body.WriteByte('z')
			x, y, last = x0, y0, 'z'
			continue
		default:
			panic("plots: svg pen draws straight lines only")
		}
		s.step(command, last, step)
		x, y, last = px, py, command
	}
	s.body.WriteString("\"/>\n")
}

// step writes a command, unless it is the last one again, and its numbers,
// apart by a space where no sign parts them.
func (s *svg) step(command, last byte, numbers []int) {
	joined := command != last || command == 'm'
	if joined {
		s.body.WriteByte(command)
	}
	for _, n := range numbers {
		if !joined && n >= 0 {
			s.body.WriteByte(' ')
		}
		s.body.WriteString(tenth(n))
		joined = false
	}
}

// tenths returns a point in tenths of a px from the upper left corner.
func (s *svg) tenths(p vg.Point) (x, y int) {
	return int(math.Round(10 * float64(p.X))), int(math.Round(10 * (s.h - float64(p.Y))))
}

// tenth writes n tenths, as short as can be.
func tenth(n int) string {
	t := decimal(float64(n) / 10)
	switch {
	case strings.HasPrefix(t, "0."):
		return t[1:]
	case strings.HasPrefix(t, "-0."):
		return "-" + t[2:]
	}
	return t
}

// decimal writes v to a hundredth, as short as can be.
func decimal(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

func escape(s string) string {
	var b bytes.Buffer
	_ = xml.EscapeText(&b, []byte(s)) // a Buffer takes all
	return b.String()
}
