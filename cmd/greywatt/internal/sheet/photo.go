package sheet

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	_ "image/png" // photos may be PNG

	"golang.org/x/image/draw"
)

// Bounds of a photo as it is taken: this project's choice. A telephone's photo has
// some 12 million pixels in some 4 MB.
const (
	MostPhotoBytes  = 12 << 20
	mostPhotoPixels = 26_000_000
	photoSide       = 1400 // px of the longer side, as it is kept
	photoQuality    = 82
)

// ReadPhoto returns a photo, JPEG or PNG, as it is kept: upright, at most 1400 px a
// side, and without what else a camera writes into it, such as where it was taken.
func ReadPhoto(data []byte) ([]byte, error) {
	if len(data) > MostPhotoBytes {
		return nil, fmt.Errorf("the photo has more than %d MB", MostPhotoBytes>>20)
	}
	cfg, kind, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil || kind != "jpeg" && kind != "png" {
		return nil, errors.New("that is neither a JPEG nor a PNG")
	}
	if cfg.Width < 1 || cfg.Height < 1 || cfg.Width > mostPhotoPixels/cfg.Height {
		return nil, fmt.Errorf("the photo has %d x %d pixels, more than %d million", cfg.Width, cfg.Height, mostPhotoPixels/1_000_000)
	}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, errors.New("the photo is damaged")
	}
	size := img.Bounds().Size()
	w, h := size.X, size.Y
	if longer := max(w, h); longer > photoSide {
		w, h = max(1, w*photoSide/longer), max(1, h*photoSide/longer)
	}
	small := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(small, small.Bounds(), image.White, image.Point{}, draw.Src) // beneath what is transparent
	draw.ApproxBiLinear.Scale(small, small.Bounds(), img, img.Bounds(), draw.Over, nil)
	var out bytes.Buffer
	if err := jpeg.Encode(&out, upright(small, orientation(data)), &jpeg.Options{Quality: photoQuality}); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// upright turns an image as the orientation says, from 1 to 8, which Exif has: where
// the camera's top and left are in what it wrote.
func upright(img *image.RGBA, orientation int) image.Image {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	if orientation < 2 || orientation > 8 {
		return img
	}
	size := image.Rect(0, 0, w, h)
	if orientation >= 5 {
		size = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(size)
	for y := range h {
		for x := range w {
			at := [...]image.Point{
				2: {w - 1 - x, y}, 3: {w - 1 - x, h - 1 - y}, 4: {x, h - 1 - y},
				5: {y, x}, 6: {h - 1 - y, x}, 7: {h - 1 - y, w - 1 - x}, 8: {y, w - 1 - x},
			}[orientation]
			out.SetRGBA(at.X, at.Y, img.RGBAAt(x, y))
		}
	}
	return out
}

// orientation returns what a JPEG says of how the camera was held, 1 where it says
// nothing: tag 0x0112 of the first directory of its Exif segment (CIPA DC-008, from
// memory).
func orientation(data []byte) int {
	for at := 2; at+4 <= len(data) && data[at] == 0xff; {
		marker, length := data[at+1], int(binary.BigEndian.Uint16(data[at+2:]))
		end := at + 2 + length
		if length < 2 || end > len(data) || marker == 0xda {
			break
		}
		if part := data[at+4 : end]; marker == 0xe1 && bytes.HasPrefix(part, []byte("Exif\x00\x00")) {
			return exifOrientation(part[6:])
		}
		at = end
	}
	return 1
}

func exifOrientation(tiff []byte) int {
	var order binary.ByteOrder = binary.BigEndian
	if len(tiff) < 8 {
		return 1
	}
	if string(tiff[:2]) == "II" {
		order = binary.LittleEndian
	}
	first := int64(order.Uint32(tiff[4:]))
	if first+2 > int64(len(tiff)) {
		return 1
	}
	n := int64(order.Uint16(tiff[first:]))
	for i := range n {
		at := first + 2 + 12*i
		if at+12 > int64(len(tiff)) {
			break
		}
		if order.Uint16(tiff[at:]) == 0x0112 {
			return int(order.Uint16(tiff[at+8:]))
		}
	}
	return 1
}
