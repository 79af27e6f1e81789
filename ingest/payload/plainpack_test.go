package payload

import (
	"math/rand/v2"
	"strconv"
	"testing"
)

// Usual packs do go the short way, and what they are changed to, byte by byte,
// gives what the general reader gives.
func TestPlainPack(t *testing.T) {
	plain, general := NewDecoder(NewResolver(study())), NewDecoder(NewResolver(study()))
	general.generalOnly = true
	packs := [][]byte{
		[]byte(`[{"bn":"larch-04/n1/","bt":1767772800.25,"bu":"Cel","n":"waste-in","v":37.5},{"n":"cold-in","v":-0.125,"t":-1},{"n":"flow","u":"l/s","v":1.5e-1}]`),
		[]byte("[ { \"n\" : \"cold-in\",\t\"u\":\"K\",\r\n\"v\":280.123456789012345678 } , {\"n\":\"flow\",\"u\":\"l/s\",\"v\":0} ]\n"),
		[]byte(`[{"n":"nowhere","u":"Cel","v":8},{"n":"cold-in","u":"F","v":8},{"n":"cold-in","u":"Cel","v":800},{"n":"cold-in","u":"Cel"}]`),
	}
	if encoded, err := EncodeJSON(nil, node(60)); err != nil {
		t.Fatal(err)
	} else {
		packs = append(packs, encoded)
	}
	for _, pack := range packs {
		general.Decode(nil, nil, onTopic, pack, now) // begins the pack that is read next
		if !general.plainPackOf(pack) {
			t.Errorf("%q does not go the short way", pack)
		}
		sameDecoded(t, plain, general, pack)
	}
	r := rand.New(rand.NewPCG(1, 7))
	const alphabet = "{}[]\",:.eE+-0123456789 \t\n\\nuvtbs_a\x00\xff\xc3\xa9"
	for range 40_000 {
		pack := append([]byte(nil), packs[r.IntN(3)]...)
		for range 1 + r.IntN(3) {
			at := r.IntN(len(pack))
			switch c := alphabet[r.IntN(len(alphabet))]; r.IntN(3) {
			case 0:
				pack[at] = c
			case 1:
				pack = append(pack[:at], append([]byte{c}, pack[at:]...)...)
			case 2:
				pack = append(pack[:at], pack[at+1:]...)
			}
		}
		sameDecoded(t, plain, general, pack)
		if t.Failed() {
			return
		}
	}
}

// plainPackOf reports whether a pack goes the short way.
func (d *Decoder) plainPackOf(pack []byte) bool {
	d.readings, d.rejected, d.marks.readings, d.marks.rejected = nil, nil, 0, 0
	d.undo()
	return d.plainPack(pack)
}

// Numbers are those of strconv, to the last bit.
func TestPlainNumber(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 7))
	check := func(text string) {
		want, err := strconv.ParseFloat(text, 64)
		if err != nil && want == 0 {
			t.Fatal(err)
		}
		if got, end := plainNumber([]byte(text+","), 0); got != want || end != len(text) {
			t.Errorf("%s is %v to byte %d, want %v", text, got, end, want)
		}
	}
	for range 50_000 {
		text := strconv.FormatUint(r.Uint64()>>r.IntN(64), 10)
		if r.IntN(2) == 0 {
			text = "-" + text
		}
		if n := r.IntN(12); n > 0 {
			text += "." + strconv.FormatUint(r.Uint64N(1e12)+1e12, 10)[1:1+n]
		}
		if r.IntN(8) == 0 {
			text += "e" + strconv.Itoa(r.IntN(60)-30)
		}
		check(text)
	}
	for _, text := range []string{"0", "-0", "0.1", "123456789012345", "0.000000000000001", "999999999999999", "9007199254740993", "1e400", "-1E+9"} {
		check(text)
	}
	for _, text := range []string{"", "-", "01", "1.", ".5", "+1", "1e", "1e+", "1.2.3", "0x1", "1_0", "NaN", "-Infinity", "١"} {
		if _, end := plainNumber([]byte(text+" "), 0); end != 0 {
			t.Errorf("%q is taken for a number of %d bytes", text, end)
		}
	}
}
