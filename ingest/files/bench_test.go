package files

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
)

// frames returns n frames of six channels, a second apart.
func frames(n int) []greywatt.Reading {
	var readings []greywatt.Reading
	for i := range n {
		at := float64(i - n)
		readings = append(readings,
			of(greywatt.WasteIn, at, 37+float64(i%53)/16), of(greywatt.WasteOut, at, 24+float64(i%31)/16),
			of(greywatt.ColdIn, at, 8+float64(i%17)/16), of(greywatt.PreheatOut, at, 23+float64(i%29)/16),
			of(greywatt.Flow, at, 0.125+float64(i%13)/1000), of(greywatt.Ambient, at, 20.875))
	}
	return readings
}

// packs writes frames as SenML, ten frames a line.
func packs(n int) string {
	var b []byte
	for readings := frames(n); len(readings) > 0; readings = readings[60:] {
		var err error
		if b, err = payload.EncodeJSON(b, readings[:60]); err != nil {
			panic(err)
		}
		b = append(b, '\n')
	}
	return string(b)
}

// rows writes frames as a table.
func rows(n int) string {
	var b bytes.Buffer
	b.WriteString("time,dwelling,node,waste_in_c,waste_out_c,cold_in_c,preheat_out_c,flow_l_min,ambient_c\n")
	for r := frames(n); len(r) > 0; r = r[6:] {
		fmt.Fprintf(&b, "%s,larch-04,n1,%g,%g,%g,%g,%.2f,%g\n", r[0].At, r[0].Value, r[1].Value, r[2].Value, r[3].Value, r[4].Value*60, r[5].Value)
	}
	return b.String()
}

func benchmarkRead(b *testing.B, name, text string, readings int) {
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		err := ReadFrom(context.Background(), name, strings.NewReader(text), Options{Now: now}, func(_ context.Context, r []greywatt.Reading, rejected []ingest.RejectedRecord) error {
			n += len(r)
			if len(rejected) > 0 {
				return fmt.Errorf("%s", rejected[0])
			}
			return nil
		})
		if err != nil || n != readings {
			b.Fatalf("%d readings, %v", n, err)
		}
	}
	b.ReportMetric(float64(readings)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

const benchFrames = 200_000

func BenchmarkReadSenML(b *testing.B) {
	benchmarkRead(b, "a.senml", packs(benchFrames), 6*benchFrames)
}

func BenchmarkReadSenMLGzip(b *testing.B) {
	benchmarkRead(b, "a.senml.gz", compress(packs(benchFrames)), 6*benchFrames)
}

func BenchmarkReadCSV(b *testing.B) { benchmarkRead(b, "a.csv", rows(benchFrames), 6*benchFrames) }
