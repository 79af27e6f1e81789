package store

import (
	"cmp"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"greywatt"
	"greywatt/ingest"
)

// perReading reports throughput in the units of DEVELOPERS.md.
func perReading(b *testing.B, frames, readings int) {
	b.ReportMetric(float64(frames)/b.Elapsed().Seconds(), "frames/s")
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(0, "ns/op")
}

func appendAll(b *testing.B, s *Store, rs []greywatt.Reading, group int) (c ingest.Counts) {
	for chunk := range slices.Chunk(rs, group) {
		got, err := s.Append(b.Context(), chunk)
		if err != nil {
			b.Fatal(err)
		}
		c.Add(got)
	}
	return c
}

// interleaved brings the readings of five nodes of a street into order of time,
// as a logger sees them.
func interleaved(days int) []greywatt.Reading {
	var all []greywatt.Frame
	for i := range 5 {
		all = append(all, newStreet(uint64(i), 1.0/16, true).days("n"+strconv.Itoa(i), days)...)
	}
	slices.SortStableFunc(all, func(f, g greywatt.Frame) int { return cmp.Compare(f.At, g.At) })
	return readings("larch-04", all)
}

// BenchmarkAppend: each group of readings is one durable Append.
func BenchmarkAppend(b *testing.B) {
	rs := interleaved(4)
	for _, group := range []int{250, 1000, 5000, 50_000} {
		b.Run("group="+strconv.Itoa(group), func(b *testing.B) {
			n := 0
			for b.Loop() {
				b.StopTimer()
				s := openTest(b, b.TempDir())
				b.StartTimer()
				c := appendAll(b, s, rs, group)
				if c.New != len(rs) {
					b.Fatalf("%+v", c)
				}
				n += c.New
				b.StopTimer()
				s.Close()
				b.StartTimer()
			}
			perReading(b, n/5, n)
		})
	}
}

// BenchmarkImport: thirty days of six dwellings in order, 50 000 readings a call.
func BenchmarkImport(b *testing.B) {
	var all []greywatt.Reading
	for i := range 6 {
		all = append(all, readings("larch-"+strconv.Itoa(i), newStreet(uint64(i), 0.01, true).days("n1", 30))...)
	}
	slices.SortStableFunc(all, func(r, q greywatt.Reading) int { return cmp.Compare(r.At, q.At) })
	n := 0
	for b.Loop() {
		b.StopTimer()
		dir := b.TempDir()
		s := openTest(b, dir)
		b.StartTimer()
		n += appendAll(b, s, all, 50_000).New
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(fileSize(b, dir)/float64(len(all)), "B/reading")
	}
	perReading(b, n/5, n)
}

func fileSize(b *testing.B, dir string) float64 {
	info, err := os.Stat(filepath.Join(dir, FileName))
	if err != nil {
		b.Fatal(err)
	}
	return float64(info.Size())
}

// BenchmarkAgain: readings that are stored already, in small blocks and in large ones.
func BenchmarkAgain(b *testing.B) {
	rs := interleaved(4)
	for _, sealed := range []bool{false, true} {
		for _, group := range []int{1000, 50_000} {
			b.Run("sealed="+strconv.FormatBool(sealed)+"/group="+strconv.Itoa(group), func(b *testing.B) {
				s := openTest(b, b.TempDir())
				appendAll(b, s, rs, 1000)
				if sealed {
					if _, err := s.Seal(b.Context(), maxInstant); err != nil {
						b.Fatal(err)
					}
				}
				n := 0
				for b.Loop() {
					c := appendAll(b, s, rs, group)
					if c.Duplicate != len(rs) {
						b.Fatalf("%+v", c)
					}
					n += c.Duplicate
				}
				perReading(b, n/5, n)
			})
		}
	}
}

// BenchmarkLate: a node that was cut off for a month sends its packs of 60
// readings in any order: into a gap, or between frames that are sealed.
func BenchmarkLate(b *testing.B) {
	frames := newStreet(1, 1.0/16, true).days("n1", 30)
	for _, between := range []bool{false, true} {
		b.Run("between="+strconv.FormatBool(between), func(b *testing.B) {
			n := 0
			for b.Loop() {
				b.StopTimer()
				s := openTest(b, b.TempDir())
				var early, late []greywatt.Frame
				for i, f := range frames {
					if between && i/12%2 == 0 {
						early = append(early, f)
					} else {
						late = append(late, f)
					}
				}
				appendAll(b, s, readings("larch-04", early), 50_000)
				packs := slices.Collect(slices.Chunk(readings("larch-04", late), 60))
				rng := rand.New(rand.NewPCG(1, 1))
				rng.Shuffle(len(packs), func(i, j int) { packs[i], packs[j] = packs[j], packs[i] })
				rs := slices.Concat(packs...)
				b.StartTimer()
				n += appendAll(b, s, rs, 1000).New
				b.StopTimer()
				s.Close()
				b.StartTimer()
			}
			perReading(b, n/5, n)
		})
	}
}

func BenchmarkSeal(b *testing.B) {
	rs := interleaved(10)
	n := 0
	for b.Loop() {
		b.StopTimer()
		s := openTest(b, b.TempDir())
		appendAll(b, s, rs, 1000)
		b.StartTimer()
		rows, err := s.Seal(b.Context(), maxInstant)
		if err != nil {
			b.Fatal(err)
		}
		n += int(rows)
		b.StopTimer()
		s.Close()
		b.StartTimer()
	}
	perReading(b, n, 5*n)
}

// BenchmarkScan: all frames of one dwelling, of one node and of five, as they came
// in packs and packed together.
func BenchmarkScan(b *testing.B) {
	one := readings("larch-04", newStreet(1, 1.0/16, true).days("n1", 90))
	for _, k := range []struct {
		name   string
		rs     []greywatt.Reading
		sealed bool
	}{
		{"packs/nodes=1", one, false},
		{"sealed/nodes=1", one, true},
		{"sealed/nodes=5", interleaved(18), true},
	} {
		b.Run(k.name, func(b *testing.B) {
			s := openTest(b, b.TempDir())
			appendAll(b, s, k.rs, 1000)
			if k.sealed {
				if _, err := s.Seal(b.Context(), maxInstant); err != nil {
					b.Fatal(err)
				}
			}
			n := 0
			for b.Loop() {
				for batch, err := range s.Frames(b.Context(), "larch-04", 0, 0) {
					if err != nil {
						b.Fatal(err)
					}
					n += len(batch)
				}
			}
			perReading(b, n, 5*n)
		})
	}
}

// BenchmarkBlock: the codec alone, with its bytes a reading.
func BenchmarkBlock(b *testing.B) {
	for _, k := range []struct {
		name   string
		grid   float64
		millis bool
	}{{"sixteenths", 1.0 / 16, false}, {"sixteenths,ms", 1.0 / 16, true}, {"hundredths", 0.01, false}, {"hundredths,ms", 0.01, true}} {
		frames := newStreet(1, k.grid, k.millis).days("n1", 30)
		for _, size := range []int{512, blockFrames, 4 * blockFrames} {
			name := k.name + "/frames=" + strconv.Itoa(size)
			e, d := newBlockEncoder(), newBlockDecoder()
			bytes, packed := 0, 0
			var blocks [][]byte
			for chunk := range slices.Chunk(frames, size) {
				blocks = append(blocks, e.encode(nil, chunk))
				bytes, packed = bytes+len(blocks[len(blocks)-1]), packed+len(chunk)
			}
			b.Run("pack/"+name, func(b *testing.B) {
				n := 0
				var buf []byte
				for b.Loop() {
					for chunk := range slices.Chunk(frames, size) {
						buf = e.encode(buf[:0], chunk)
						n += len(chunk)
					}
				}
				perReading(b, n, 5*n)
				b.ReportMetric(float64(bytes)/float64(5*packed), "B/reading")
			})
			b.Run("unpack/"+name, func(b *testing.B) {
				n := 0
				var buf []greywatt.Frame
				for b.Loop() {
					for _, data := range blocks {
						var err error
						if buf, err = d.decode(buf[:0], data, "n1"); err != nil {
							b.Fatal(err)
						}
						n += len(buf)
					}
				}
				perReading(b, n, 5*n)
			})
			b.Run("copy/"+name, func(b *testing.B) { // the limit: the frames are there already
				n := 0
				var buf []greywatt.Frame
				for b.Loop() {
					for chunk := range slices.Chunk(frames, size) {
						buf = append(buf[:0], chunk...)
						n += len(buf)
					}
				}
				perReading(b, n, 5*n)
			})
		}
	}
}
