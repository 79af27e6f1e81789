package plots

import (
	"image/color"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
)

// A raster is vgimg's pen with text as [style.measure] measures it.
type raster struct{ vgimg.PngCanvas }

// newPNG returns a raster of w by h px, density device pixels each.
func newPNG(w, h float64, density int, paper color.Color) raster {
	return raster{vgimg.PngCanvas{Canvas: vgimg.NewWith(
		vgimg.UseWH(vg.Length(w), vg.Length(h)),
		vgimg.UseDPI(72*density), // 72 points to the inch: one px is one point
		vgimg.UseBackgroundColor(paper),
	)}}
}

// FillString paints letter by letter, which leaves out kerning.
func (r raster) FillString(f font.Face, at vg.Point, s string) {
	for _, letter := range s {
		r.PngCanvas.FillString(f, at, string(letter))
		at.X += vg.Length(advance(f, string(letter)))
	}
}
