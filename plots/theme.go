package plots

import "image/color"

// A theme is the inks of a picture. The four ports are two warm hues (waste)
// and two cool ones (supply); within each pair the inlet of the hot side and
// the outlet of the cold side, the two hotter ones, are the stronger. Hue,
// lightness and dash each tell the four apart on their own, so that they
// survive any colour vision and a grey print; theme_test.go holds the figures.
type theme struct {
	paper  color.NRGBA
	ink    color.NRGBA // text, axes
	soft   color.NRGBA // captions, ticks
	hair   color.NRGBA // grid
	steady color.NRGBA // ground of the steady parts

	port  [4]stroke // waste-in, waste-out, cold-in, preheat-out
	flow  color.NRGBA
	point color.NRGBA // one event in a trend
	bar   color.NRGBA // its u95
	fit   color.NRGBA
	good  color.NRGBA // verdicts
	bad   color.NRGBA
}

var light = theme{
	paper:  rgb(0xffffff),
	ink:    rgb(0x20262b),
	soft:   rgb(0x59636a),
	hair:   rgb(0xdde1e2),
	steady: rgb(0xeceee4),
	port: [4]stroke{
		{color: rgb(0xa3301c), width: 2.1},
		{color: rgb(0xc8801a), width: 1.9, dash: []float64{7, 2.5}},
		{color: rgb(0x3f9aa6), width: 1.9, dash: []float64{2.2, 1.8}},
		{color: rgb(0x1d3f78), width: 2.1, dash: []float64{12, 2, 2.5, 2}},
	},
	flow:  rgb(0x5b5570),
	point: rgb(0x2f4a4d),
	bar:   rgb(0xb4c0c0),
	fit:   rgb(0xb0431f),
	good:  rgb(0x2c6e4b),
	bad:   rgb(0x9a2436),
}

var dark = theme{
	paper:  rgb(0x14181a),
	ink:    rgb(0xe9ebe6),
	soft:   rgb(0xa7b0b2),
	hair:   rgb(0x2e3538),
	steady: rgb(0x232a27),
	port: [4]stroke{
		{color: rgb(0xe2664c), width: 2.1},
		{color: rgb(0xeebf6a), width: 1.9, dash: []float64{7, 2.5}},
		{color: rgb(0xa5e3e0), width: 1.9, dash: []float64{2.2, 1.8}},
		{color: rgb(0x4a78cc), width: 2.1, dash: []float64{12, 2, 2.5, 2}},
	},
	flow:  rgb(0xb3abcb),
	point: rgb(0xb9d3d2),
	bar:   rgb(0x4b5a5b),
	fit:   rgb(0xf08a5d),
	good:  rgb(0x7cc79d),
	bad:   rgb(0xf08a78),
}

func rgb(hex uint32) color.NRGBA {
	return color.NRGBA{R: uint8(hex >> 16), G: uint8(hex >> 8), B: uint8(hex), A: 255}
}

// faint returns c at the given opacity.
func faint(c color.NRGBA, opacity float64) color.NRGBA {
	c.A = uint8(255*opacity + 0.5)
	return c
}

// over returns c at the given opacity on ground, as one solid colour.
func over(c, ground color.NRGBA, opacity float64) color.NRGBA {
	mix := func(a, b uint8) uint8 { return uint8(opacity*float64(a) + (1-opacity)*float64(b) + 0.5) }
	return color.NRGBA{R: mix(c.R, ground.R), G: mix(c.G, ground.G), B: mix(c.B, ground.B), A: 255}
}
