package sheet

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"strings"
	"testing"
)

var (
	red   = color.RGBA{220, 0, 0, 255}
	green = color.RGBA{0, 200, 0, 255}
	blue  = color.RGBA{0, 0, 220, 255}
	white = color.RGBA{255, 255, 255, 255}
)

// quarters is a picture with red at the upper left, green at the upper right, blue at
// the lower left and white at the lower right.
func quarters(w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := [2][2]color.RGBA{{red, green}, {blue, white}}[y*2/h][x*2/w]
			img.SetRGBA(x, y, c)
		}
	}
	return img
}

// withExif puts an Exif segment with an orientation and a secret behind a JPEG's
// beginning.
func withExif(t *testing.T, img image.Image, orientation uint16, order binary.AppendByteOrder) []byte {
	t.Helper()
	var plain bytes.Buffer
	if err := jpeg.Encode(&plain, img, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	tiff := []byte("MM")
	if order == binary.AppendByteOrder(binary.LittleEndian) {
		tiff = []byte("II")
	}
	tiff = order.AppendUint16(tiff, 42)
	tiff = order.AppendUint32(tiff, 8)
	tiff = order.AppendUint16(tiff, 2)
	tiff = order.AppendUint16(tiff, 0x0100) // another tag before it
	tiff = order.AppendUint16(tiff, 3)
	tiff = order.AppendUint32(tiff, 1)
	tiff = order.AppendUint32(tiff, 0)
	tiff = order.AppendUint16(tiff, 0x0112)
	tiff = order.AppendUint16(tiff, 3)
	tiff = order.AppendUint32(tiff, 1)
	tiff = order.AppendUint16(tiff, orientation)
	tiff = order.AppendUint16(tiff, 0)
	segment := append([]byte("Exif\x00\x00"), append(tiff, "GPS where it was taken"...)...)
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1}, binary.BigEndian.AppendUint16(nil, uint16(len(segment)+2))...)
	out = append(out, segment...)
	return append(out, plain.Bytes()[2:]...)
}

func near(a color.Color, b color.RGBA) bool {
	r, g, bl, _ := a.RGBA()
	off := func(x uint32, y uint8) bool { d := int(x>>8) - int(y); return d < -40 || d > 40 }
	return !off(r, b.R) && !off(g, b.G) && !off(bl, b.B)
}

// A photo is turned upright, made small, and has nothing else that the camera wrote.
// The corners of each orientation are those of the standard's figure (CIPA DC-008,
// from memory): with 6 the camera's top is at the right of what it wrote, so that
// what is at the lower left comes to the upper left.
func TestPhotoIsUprightAndSaysNothingElse(t *testing.T) {
	corners := map[uint16][4]color.RGBA{ // upper left, upper right, lower left, lower right
		1: {red, green, blue, white}, 2: {green, red, white, blue}, 3: {white, blue, green, red}, 4: {blue, white, red, green},
		5: {red, blue, green, white}, 6: {blue, red, white, green}, 7: {white, green, blue, red}, 8: {green, white, red, blue},
		0: {red, green, blue, white}, 99: {red, green, blue, white},
	}
	for orientation, want := range corners {
		for _, order := range []binary.AppendByteOrder{binary.BigEndian, binary.LittleEndian} {
			from, wantSize := image.Pt(200, 100), image.Pt(200, 100)
			if orientation == 1 {
				from, wantSize = image.Pt(1600, 800), image.Pt(1400, 700)
			}
			kept, err := ReadPhoto(withExif(t, quarters(from.X, from.Y), orientation, order))
			if err != nil {
				t.Fatal(err)
			}
			if bytes.Contains(kept, []byte("Exif")) || bytes.Contains(kept, []byte("GPS")) {
				t.Errorf("orientation %d: what the camera wrote is kept", orientation)
			}
			img, err := jpeg.Decode(bytes.NewReader(kept))
			if err != nil {
				t.Fatal(err)
			}
			size := img.Bounds().Size()
			if orientation >= 5 && orientation <= 8 {
				wantSize = image.Pt(100, 200)
			}
			if size != wantSize {
				t.Errorf("orientation %d: %v, want %v", orientation, size, wantSize)
			}
			for i, at := range []image.Point{{25, 25}, {size.X - 25, 25}, {25, size.Y - 25}, {size.X - 25, size.Y - 25}} {
				if got := img.At(at.X, at.Y); !near(got, want[i]) {
					t.Errorf("orientation %d: corner %d is %v, want %v", orientation, i, got, want[i])
				}
			}
		}
	}
}

// What is small stays so; what is transparent is white; what is no photo, too large
// or cut off is refused, and nothing makes it panic.
func TestPhotosOfAllSorts(t *testing.T) {
	var picture bytes.Buffer
	clear := image.NewNRGBA(image.Rect(0, 0, 30, 20))
	if err := png.Encode(&picture, clear); err != nil {
		t.Fatal(err)
	}
	kept, err := ReadPhoto(picture.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	img, err := jpeg.Decode(bytes.NewReader(kept))
	if err != nil || img.Bounds().Size() != image.Pt(30, 20) || !near(img.At(15, 10), white) {
		t.Errorf("%v, %v", img.Bounds(), err)
	}
	// A header that announces what nobody can hold.
	huge := bytes.Clone(picture.Bytes())
	binary.BigEndian.PutUint32(huge[16:], 60_000)
	binary.BigEndian.PutUint32(huge[20:], 60_000)
	binary.BigEndian.PutUint32(huge[29:], crc32.ChecksumIEEE(huge[12:29]))
	if _, err := ReadPhoto(huge); err == nil || !strings.Contains(err.Error(), "60000 x 60000 pixels, more than 26 million") {
		t.Errorf("huge: %v", err)
	}
	whole := withExif(t, quarters(200, 100), 6, binary.BigEndian)
	for name, data := range map[string][]byte{
		"nothing": nil, "text": []byte("hello"), "cut off": whole[:len(whole)/2], "long": make([]byte, MostPhotoBytes+1),
	} {
		if _, err := ReadPhoto(data); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	for cut := range 120 { // through the Exif segment
		ReadPhoto(whole[:cut])
		broken := bytes.Clone(whole)
		for i := 4; i < 4+cut; i++ {
			broken[i] = 0xff
		}
		ReadPhoto(broken)
	}
}
