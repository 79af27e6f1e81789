package influx_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"greywatt"
	"greywatt/ingest/influx"
	"greywatt/ingest/influx/influxdtest"
)

// draws returns the readings of a dwelling's node: five channels a second, with
// a sensor's noise on its grid of sixteenths of a kelvin.
func draws(dwelling string, seconds int) []greywatt.Reading {
	rng := rand.New(rand.NewPCG(5, 6))
	var rs []greywatt.Reading
	for i := range greywatt.Instant(seconds) {
		at := day + i*second
		for c, v := range [...]float64{36, 24, 9, 23} {
			rs = append(rs, reading(dwelling, "n1", greywatt.Channel(c), at, v+float64(rng.IntN(16))/16))
		}
		rs = append(rs, reading(dwelling, "n1", greywatt.Flow, at, 0.15+float64(rng.IntN(60))/10_000))
	}
	return rs
}

func benchDB(b *testing.B) (*influxdtest.Server, *influx.DB) {
	s := influxdtest.Open(b)
	return s, openDB(b, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket})
}

func report(b *testing.B, readings int) {
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkAppend: 20 000 readings a call, as a committer gives them, with
// server, disk and caller on one machine. "new" and "again" are of one dwelling,
// "street" is ten seconds of 400 dwellings at once, "city" minutes of 10 000 in
// turn, 67 a call, as nodes that send once a minute while water runs.
func BenchmarkAppend(b *testing.B) {
	_, db := benchDB(b)
	const size = 20_000
	day := draws("larch-04", size/5)
	run := func(name string, next func(i int) []greywatt.Reading) {
		b.Run(name, func(b *testing.B) {
			n := 0
			for b.Loop() {
				b.StopTimer()
				rs := next(n)
				b.StartTimer()
				if _, err := db.Append(b.Context(), rs); err != nil {
					b.Fatal(err)
				}
				n++
			}
			report(b, n*size)
		})
	}
	moved := 0
	move := func() []greywatt.Reading {
		rs := slices.Clone(day)
		for i := range rs {
			rs[i].At += greywatt.Instant(moved) * size / 5 * second
		}
		moved++
		return rs
	}
	run("new", func(int) []greywatt.Reading { return move() })
	run("again", func(int) []greywatt.Reading { return day })
	next := 0
	run("city", func(int) []greywatt.Reading {
		rs := slices.Clone(day)
		for i := range rs {
			minute, place := next/10_000, next%10_000
			rs[i].Dwelling = fmt.Sprintf("oak-%04d", place)
			rs[i].At = rs[0].At + greywatt.Instant(60*minute+i/5%60)*second
			if i%300 == 299 {
				next++
			}
		}
		return rs
	})
	run("street", func(int) []greywatt.Reading {
		rs := move()
		for i := range rs {
			rs[i].Dwelling = fmt.Sprintf("elm-%03d", i/5%400)
			rs[i].At = rs[0].At + greywatt.Instant(i/2000)*second
		}
		return rs
	})
}

// BenchmarkPut is what a mirror does: no look at what is there.
func BenchmarkPut(b *testing.B) {
	for _, points := range []int{500, 5000, 20_000} {
		b.Run(fmt.Sprintf("points=%d", points), func(b *testing.B) {
			s := influxdtest.Open(b)
			db := openDB(b, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket, Points: points})
			rows := make([]influx.Row, 20_000)
			for i, r := range draws("larch-04", len(rows)) {
				row := &rows[i/5]
				if i%5 == 0 {
					*row = influx.Row{Dwelling: r.Dwelling, Frame: greywatt.Frame{Node: r.Node, At: r.At, Value: greywatt.NoValues()}}
				}
				row.Value[r.Channel] = r.Value
			}
			n := 0
			for b.Loop() {
				for i := range rows {
					rows[i].At += greywatt.Instant(len(rows)) * second
				}
				if rejected, err := db.Put(b.Context(), rows); err != nil || len(rejected) > 0 {
					b.Fatal(rejected, err)
				}
				n += len(rows)
			}
			report(b, 5*n)
		})
	}
}

// BenchmarkFrames reads a dwelling of a million frames.
func BenchmarkFrames(b *testing.B) {
	s, db := benchDB(b)
	const seconds = 1_000_000
	rs := draws("larch-04", 20_000)
	for range seconds / 20_000 {
		if _, err := db.Append(b.Context(), rs); err != nil {
			b.Fatal(err)
		}
		for i := range rs {
			rs[i].At += 20_000 * second
		}
	}
	b.Run("scan", func(b *testing.B) {
		b.ReportAllocs()
		n := 0
		for b.Loop() {
			for frames, err := range db.Frames(b.Context(), "larch-04", 0, 0) {
				if err != nil {
					b.Fatal(err)
				}
				n += len(frames)
			}
		}
		b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
		report(b, 5*n)
	})
	// Restarting has the server write its cache to compressed files.
	b.Run("disk", func(b *testing.B) {
		for b.Loop() {
			s.Kill()
			s.Start(b)
		}
		b.ReportMetric(float64(diskUsage(b, s.Dir))/(5*seconds), "bytes/reading")
	})
}

func diskUsage(b *testing.B, dir string) (bytes int64) {
	err := filepath.Walk(dir, func(_ string, info os.FileInfo, err error) error {
		if err == nil && !info.IsDir() {
			bytes += info.Size()
		}
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return bytes
}
