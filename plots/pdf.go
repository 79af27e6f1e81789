package plots

import (
	"image/color"
	"io"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// A pdf is a pen that writes one page of PDF, a px to the point. It is our own
// instead of vgpdf because that knows the letters of one code page only and
// stamps each file with the clock, so that no two are equal.
type pdf struct {
	doc *fpdf.Fpdf
	h   float64
}

// pdfDate stands for the date in every file: the picture is a function of the
// data, whenever it is drawn.
var pdfDate = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

func newPDF(w, h float64, m meta) *pdf {
	doc := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: w, Ht: h}})
	doc.SetCatalogSort(true)
	doc.SetCreationDate(pdfDate)
	doc.SetModificationDate(pdfDate)
	doc.SetProducer("greywatt", true)
	doc.SetTitle(m.title, true)
	doc.SetSubject(m.description, true)
	doc.SetLang("en-GB")
	doc.SetMargins(0, 0, 0)
	doc.SetAutoPageBreak(false, 0)
	doc.AddUTF8FontFromBytes("sans", "", liberationsansregular.TTF)
	doc.AddUTF8FontFromBytes("sans", "B", liberationsansbold.TTF)
	doc.AddPage()
	doc.SetLineJoinStyle("round")
	return &pdf{doc: doc, h: h}
}

func (p *pdf) WriteTo(w io.Writer) (int64, error) {
	n := &counter{w: w}
	err := p.doc.Output(n)
	return n.n, err
}

// A counter counts what it passes on.
type counter struct {
	w io.Writer
	n int64
}

func (c *counter) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	return n, err
}

func (p *pdf) SetColor(c color.Color) {
	n := color.NRGBAModel.Convert(c).(color.NRGBA)
	p.doc.SetDrawColor(int(n.R), int(n.G), int(n.B))
	p.doc.SetFillColor(int(n.R), int(n.G), int(n.B))
	p.doc.SetTextColor(int(n.R), int(n.G), int(n.B))
	p.doc.SetAlpha(float64(n.A)/255, "Normal")
}

func (p *pdf) SetLineWidth(w vg.Length) { p.doc.SetLineWidth(float64(w)) }

func (p *pdf) SetLineDash(dashes []vg.Length, offset vg.Length) {
	ds := make([]float64, len(dashes))
	for i, d := range dashes {
		ds[i] = float64(d)
	}
	p.doc.SetDashPattern(ds, float64(offset))
}

func (p *pdf) Stroke(path vg.Path) { p.path(path, "D") }
func (p *pdf) Fill(path vg.Path)   { p.path(path, "F") }

func (p *pdf) path(path vg.Path, style string) {
	for _, comp := range path {
		x, y := float64(comp.Pos.X), p.h-float64(comp.Pos.Y)
		switch comp.Type {
		case vg.MoveComp:
			p.doc.MoveTo(x, y)
		case vg.LineComp:
			p.doc.LineTo(x, y)
		case vg.CloseComp:
			p.doc.ClosePath()
		default:
			panic("plots: pdf pen draws straight lines only")
		}
	}
	p.doc.DrawPath(style)
}

// dots paints discs as the round ends of lines without length.
func (p *pdf) dots(at []vg.Point, radius vg.Length) {
	p.doc.SetLineCapStyle("round")
	p.doc.SetDashPattern(nil, 0)
	p.doc.SetLineWidth(2 * float64(radius))
	for _, pt := range at {
		x, y := float64(pt.X), p.h-float64(pt.Y)
		p.doc.MoveTo(x, y)
		p.doc.LineTo(x, y)
	}
	p.doc.DrawPath("D")
	p.doc.SetLineCapStyle("butt")
}

func (p *pdf) FillString(f font.Face, at vg.Point, text string) {
	weight := ""
	if f.Font.Weight == xfont.WeightBold {
		weight = "B"
	}
	p.doc.SetFont("sans", weight, float64(f.Font.Size))
	p.doc.Text(float64(at.X), p.h-float64(at.Y), text)
}
