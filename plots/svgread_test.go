package plots

import (
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// A picture is what the tests read back from an SVG.
type picture struct {
	w, h        float64
	title, desc string
	texts       []text
	shapes      []shape
}

type text struct {
	s    string
	at   point // left end of the baseline
	size float64
	wide float64
	bold bool
}

// box returns about where the letters are: capitals of Liberation Sans rise to
// 0.73 of the size, descenders fall to 0.21.
func (t text) box() box {
	return box{t.at.x, t.at.y - 0.73*t.size, t.at.x + t.wide, t.at.y + 0.21*t.size}
}

type shape struct {
	fill, stroke string
	width        float64
	pieces       [][]point
}

func readSVG(t testing.TB, b []byte) picture {
	t.Helper()
	var p picture
	d := xml.NewDecoder(bytes.NewReader(b))
	var in string
	var last text
	for {
		tok, err := d.Token()
		if err == io.EOF {
			return p
		}
		if err != nil {
			t.Fatalf("not well formed: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			in = e.Name.Local
			attr := map[string]string{}
			for _, a := range e.Attr {
				attr[a.Name.Local] = a.Value
			}
			if _, ok := attr["style"]; ok {
				t.Errorf("<%s> has a style attribute", in)
			}
			num := func(k string) float64 {
				v, err := strconv.ParseFloat(attr[k], 64)
				if err != nil || !finite(v) {
					t.Fatalf("<%s %s=%q>: want a number", in, k, attr[k])
				}
				return v
			}
			switch in {
			case "svg":
				p.w, p.h = num("width"), num("height")
			case "text":
				last = text{at: point{num("x"), num("y")}, size: num("font-size"), wide: num("textLength"), bold: attr["font-weight"] == "bold"}
			case "path":
				s := shape{fill: attr["fill"], stroke: attr["stroke"], pieces: readPath(t, attr["d"])}
				if s.stroke != "" {
					s.width = num("stroke-width")
				}
				p.shapes = append(p.shapes, s)
			}
		case xml.CharData:
			switch in {
			case "title":
				p.title += string(e)
			case "desc":
				p.desc += string(e)
			case "text":
				last.s += string(e)
			}
		case xml.EndElement:
			if e.Name.Local == "text" {
				p.texts = append(p.texts, last)
			}
			in = ""
		}
	}
}

var pathToken = regexp.MustCompile(`[a-zA-Z]|-?(?:\d+\.?\d*|\.\d+)`)

// readPath reads the path commands m, l, h, v and z after SVG 1.1, section
// 8.3.
func readPath(t testing.TB, d string) [][]point {
	t.Helper()
	if strings.ContainsAny(pathToken.ReplaceAllString(d, ""), "NaIf+e") {
		t.Fatalf("path %.60q: not only numbers and commands", d)
	}
	toks := pathToken.FindAllString(d, -1)
	var out [][]point
	var at, start point
	command := ""
	i := 0
	num := func() float64 {
		if i >= len(toks) {
			t.Fatalf("path %.60q ends in a command", d)
		}
		v, err := strconv.ParseFloat(toks[i], 64)
		if err != nil {
			t.Fatalf("path %.60q: %v", d, err)
		}
		i++
		return v
	}
	for i < len(toks) {
		if c := toks[i][0]; c >= 'a' && c <= 'z' {
			command = toks[i]
			i++
		}
		switch command {
		case "m":
			at = point{at.x + num(), at.y + num()}
			start = at
			out = append(out, []point{at})
			continue
		case "l":
			at = point{at.x + num(), at.y + num()}
		case "h":
			at.x += num()
		case "v":
			at.y += num()
		case "z":
			at = start
		default:
			t.Fatalf("path %.60q: command %q", d, command)
		}
		out[len(out)-1] = append(out[len(out)-1], at)
	}
	return out
}

// find returns the texts that contain s.
func (p picture) find(s string) []text {
	var out []text
	for _, t := range p.texts {
		if strings.Contains(t.s, s) {
			out = append(out, t)
		}
	}
	return out
}

// words returns all text of the picture, a line each.
func (p picture) words() string {
	var b strings.Builder
	for _, t := range p.texts {
		b.WriteString(t.s + "\n")
	}
	return b.String()
}

// check fails where text leaves the picture or lies on other text, and where a
// line leaves the picture.
func (p picture) check(t *testing.T) {
	t.Helper()
	for i, a := range p.texts {
		ab := a.box()
		if ab.x0 < -0.5 || ab.x1 > p.w+0.5 || ab.y0 < -0.5 || ab.y1 > p.h+0.5 {
			t.Errorf("text %q at %.1f leaves the picture of %g x %g", a.s, ab, p.w, p.h)
		}
		for _, b := range p.texts[:i] {
			bb := b.box()
			if math.Min(ab.x1, bb.x1)-math.Max(ab.x0, bb.x0) > 0.2 && math.Min(ab.y1, bb.y1)-math.Max(ab.y0, bb.y0) > 0.2 {
				t.Errorf("text %q at %.1f lies on %q at %.1f", a.s, ab, b.s, bb)
			}
		}
	}
	for _, s := range p.shapes {
		for _, piece := range s.pieces {
			for _, q := range piece {
				if q.x < -0.5 || q.x > p.w+0.5 || q.y < -0.5 || q.y > p.h+0.5 {
					t.Errorf("shape %s%s reaches %.1f, outside the picture", s.fill, s.stroke, q)
				}
			}
		}
	}
}
