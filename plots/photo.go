package plots

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"image"
	"image/jpeg"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/vg"
)

// A Photo is a picture on a sheet, as JPEG.
type Photo struct {
	Caption string
	JPEG    []byte
}

// An imager is a pen that paints photos too.
type imager interface {
	// picture paints a JPEG, which img is, over r.
	picture(data []byte, img image.Image, r vg.Rectangle)
}

func (p *pdf) picture(data []byte, _ image.Image, r vg.Rectangle) {
	name, as := fmt.Sprintf("photo %x", len(data)), fpdf.ImageOptions{ImageType: "JPG"}
	for i := 0; p.doc.GetImageInfo(name) != nil; i++ {
		name = fmt.Sprintf("photo %x.%d", len(data), i)
	}
	p.doc.RegisterImageOptionsReader(name, as, bytes.NewReader(data))
	size := r.Size()
	p.doc.ImageOptions(name, float64(r.Min.X), p.h-float64(r.Max.Y), float64(size.X), float64(size.Y), false, as, 0, "")
}

func (r raster) picture(_ []byte, img image.Image, at vg.Rectangle) { r.DrawImage(at, img) }

func (s *svg) picture(data []byte, _ image.Image, r vg.Rectangle) {
	size := r.Size()
	fmt.Fprintf(&s.body, `<image x="%s" y="%s" width="%s" height="%s" href="data:image/jpeg;base64,%s"/>`+"\n",
		decimal(float64(r.Min.X)), decimal(s.h-float64(r.Max.Y)), decimal(float64(size.X)), decimal(float64(size.Y)), base64.StdEncoding.EncodeToString(data))
}

// photo paints a photo as large as b allows, in its upper left, and returns its lower
// edge. What is no JPEG is left out, and said to be.
func (c *canvas) photo(b box, data []byte) float64 {
	img, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		c.text(point{b.x0, b.y0 + 10}, "A photo that cannot be read.", style{size: 9, color: c.theme.bad})
		return b.y0 + 14
	}
	size := img.Bounds().Size()
	scale := min(b.width()/float64(size.X), b.height()/float64(size.Y))
	low := point{b.x0, b.y0 + scale*float64(size.Y)}
	high := point{b.x0 + scale*float64(size.X), b.y0}
	c.pen.(imager).picture(data, img, vg.Rectangle{Min: c.at(low), Max: c.at(high)})
	return low.y
}

// Photos of a page: three by four.
const (
	photoColumns = 3
	photoRows    = 4
)

// paintPhotos paints the third page.
func (s *Sheet) paintPhotos(c *canvas, b box) {
	y := c.heading(b, s.Title+": photos") + 8
	c.hline(stroke{color: c.theme.ink, width: 1.2}, b.x0, b.x1, y)
	small := style{size: 8.5, color: c.theme.soft}
	foot := small.wrap(s.Footer, b.width(), 3)
	for i := range foot {
		c.text(point{b.x0, b.y1 - 11*float64(len(foot)-1-i)}, foot[i], small)
	}
	y += 12
	const gap, caption = 14.0, 36.0
	w := (b.width() - gap*(photoColumns-1)) / photoColumns
	h := (b.y1 - 11*float64(len(foot)) - 6 - y) / photoRows
	for i, p := range s.Photos[:min(len(s.Photos), photoColumns*photoRows)] {
		x, top := b.x0+float64(i%photoColumns)*(w+gap), y+float64(i/photoColumns)*h
		edge := c.photo(box{x, top, x + w, top + h - caption}, p.JPEG)
		for k, line := range small.wrap(p.Caption, w, 3) {
			c.text(point{x, edge + 10 + 10*float64(k)}, line, small)
		}
	}
}
