package plots

import (
	"bytes"
	"encoding/base64"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"regexp"
	"testing"
)

// aPhoto is a JPEG of one colour.
func aPhoto(t *testing.T, w, h int, c color.Color) []byte {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.Set(x, y, c)
		}
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, img, nil); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Photos are on a page of their own: in SVG as they were given, in PNG in their
// colour at their place, in PDF on a third page, with equal bytes each time.
func TestSheetHasItsPhotos(t *testing.T) {
	red, green := aPhoto(t, 80, 40, color.RGBA{200, 0, 0, 255}), aPhoto(t, 40, 80, color.RGBA{0, 160, 0, 255})
	s := wholeSheet()
	s.Photos = []Photo{{"upright", red}, {"label", green}, {"label again", green}, {"broken", []byte("no JPEG")}}
	draw := func(o Output) []byte {
		return render(t, func(w io.Writer, o Output) error { return Write(w, o, s) }, o)
	}
	text := draw(Output{})
	p := readSVG(t, text)
	if p.h != 3*sheetHeight {
		t.Errorf("%g px high, want three pages", p.h)
	}
	found := regexp.MustCompile(`<image x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)" href="data:image/jpeg;base64,([^"]+)"`).FindAllSubmatch(text, -1)
	if len(found) != 3 {
		t.Fatalf("%d photos, want 3", len(found))
	}
	for i, want := range [][]byte{red, green, green} {
		if got, err := base64.StdEncoding.DecodeString(string(found[i][5])); err != nil || !bytes.Equal(got, want) {
			t.Errorf("photo %d is another: %v", i, err)
		}
	}
	im, err := png.Decode(bytes.NewReader(draw(Output{Format: PNG})))
	if err != nil {
		t.Fatal(err)
	}
	reds, greens := 0, 0
	for y := range im.Bounds().Dy() {
		for x := range im.Bounds().Dx() {
			r, g, b, _ := im.At(x, y).RGBA()
			switch {
			case r>>8 > 180 && g>>8 < 30 && b>>8 < 30:
				reds++
			case g>>8 > 140 && r>>8 < 30 && b>>8 < 30:
				greens++
			}
			if y < 2*sheetHeight && (reds > 0 || greens > 0) {
				t.Fatalf("a photo at %d, %d, which is not on the third page", x, y)
			}
		}
	}
	// Both fit a cell of 161 px by 129 or so: one is as wide as it, the other as high.
	if reds < 11_000 || reds > 14_500 || greens < 2*7_000 || greens > 2*10_000 {
		t.Errorf("%d red and %d green px", reds, greens)
	}
	var pdf, again bytes.Buffer
	for _, w := range []io.Writer{&pdf, &again} {
		if err := Write(w, Output{Format: PDF}, s); err != nil {
			t.Fatal(err)
		}
	}
	if n := bytes.Count(pdf.Bytes(), []byte("/Type /Page\n")); n != 3 {
		t.Errorf("%d pages, want 3", n)
	}
	if !bytes.Contains(pdf.Bytes(), red) || !bytes.Contains(pdf.Bytes(), green) {
		t.Error("a photo is not in the PDF")
	}
	if !bytes.Equal(pdf.Bytes(), again.Bytes()) {
		t.Error("the same sheet has other bytes")
	}
}
