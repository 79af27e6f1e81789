package payload

import (
	"bytes"
	"testing"

	"greywatt"
	"greywatt/ingest"
)

// node returns n readings of one node: frames of six channels, a second apart.
func node(n int) []greywatt.Reading {
	channels := []greywatt.Channel{greywatt.WasteIn, greywatt.WasteOut, greywatt.ColdIn, greywatt.PreheatOut, greywatt.Flow, greywatt.Ambient}
	readings := make([]greywatt.Reading, n)
	for i := range readings {
		c := channels[i%len(channels)]
		v := 20 + float64(i%97)/16
		if c.IsFlow() {
			v = 0.125 + float64(i%13)/1000
		}
		readings[i] = reading(c, float64(i/len(channels)), v)
	}
	return readings
}

func benchmarkDecode(b *testing.B, readings int, encode func([]byte, []greywatt.Reading) ([]byte, error)) {
	pack, err := encode(nil, node(readings))
	if err != nil {
		b.Fatal(err)
	}
	d := NewDecoder(NewResolver(study()))
	var out []greywatt.Reading
	var rejected []ingest.RejectedRecord
	b.SetBytes(int64(len(pack)))
	b.ReportAllocs()
	for b.Loop() {
		out, rejected = d.Decode(out[:0], rejected[:0], onTopic, pack, now+aDay)
	}
	if len(out) != readings || len(rejected) != 0 {
		b.Fatalf("%d readings, %v", len(out), rejected)
	}
	b.ReportMetric(float64(readings)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkDecodeJSON(b *testing.B)       { benchmarkDecode(b, 60, EncodeJSON) }
func BenchmarkDecodeJSONFrame(b *testing.B)  { benchmarkDecode(b, 6, EncodeJSON) }
func BenchmarkDecodeJSONBuffer(b *testing.B) { benchmarkDecode(b, 30_000, EncodeJSON) }
func BenchmarkDecodeCBOR(b *testing.B)       { benchmarkDecode(b, 60, encodePackCBOR) }

// BenchmarkScan is the limit of a decoder: every byte of the same text is looked at once
// and told from two others, and every quote is found.
func BenchmarkScan(b *testing.B) {
	pack, err := EncodeJSON(nil, node(30_000))
	if err != nil {
		b.Fatal(err)
	}
	b.Run("bytes", func(b *testing.B) {
		b.SetBytes(int64(len(pack)))
		for b.Loop() {
			texts, depth := 0, 0
			for _, c := range pack {
				switch c {
				case '"':
					texts++
				case '{':
					depth++
				}
			}
			if texts < depth {
				b.Fatal("no texts")
			}
		}
	})
	b.Run("IndexByte", func(b *testing.B) {
		b.SetBytes(int64(len(pack)))
		for b.Loop() {
			for rest := pack; ; {
				i := bytes.IndexByte(rest, '"')
				if i < 0 {
					break
				}
				rest = rest[i+1:]
			}
		}
	})
}

func benchmarkEncode(b *testing.B, encode func([]byte, []greywatt.Reading) ([]byte, error)) {
	readings := node(60)
	var pack []byte
	b.ReportAllocs()
	for b.Loop() {
		var err error
		if pack, err = encode(pack[:0], readings); err != nil {
			b.Fatal(err)
		}
	}
	b.SetBytes(int64(len(pack)))
	b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkEncodeJSON(b *testing.B) { benchmarkEncode(b, EncodeJSON) }
func BenchmarkEncodeCBOR(b *testing.B) { benchmarkEncode(b, encodePackCBOR) }
