package plots

import (
	"io"
	"testing"
)

func BenchmarkEvent(b *testing.B) {
	e := cases()["shower"]
	for _, f := range []Format{SVG, PNG, PDF} {
		b.Run(string(f), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := Write(io.Discard, Output{Format: f}, e); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkTrend(b *testing.B) {
	t := trends()["marks"]
	b.ReportAllocs()
	for b.Loop() {
		if err := Write(io.Discard, Output{}, t); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkOverview(b *testing.B) {
	v := street(60)
	b.ReportAllocs()
	for b.Loop() {
		if err := Write(io.Discard, Output{}, v); err != nil {
			b.Fatal(err)
		}
	}
}
