package buffer

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

var small = Options{MaxBytes: 16 << 10, SegmentBytes: 4 << 10, Fsync: FsyncPack}

func open(t *testing.T, dir string, o Options) *Buffer {
	t.Helper()
	b, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// record returns the n-th record, which holds its number.
func record(n uint64) []byte {
	rec := binary.BigEndian.AppendUint64(nil, n)
	for range n % 40 {
		rec = append(rec, byte(n), recordMark)
	}
	return rec
}

func number(t *testing.T, rec []byte) uint64 {
	t.Helper()
	n := binary.BigEndian.Uint64(rec)
	if !bytes.Equal(rec, record(n)) {
		t.Fatalf("record %d came back as %x", n, rec)
	}
	return n
}

func mustAppend(t *testing.T, b *Buffer, from, to uint64) {
	t.Helper()
	for n := from; n < to; n++ {
		if err := b.Append(record(n)); err != nil {
			t.Fatalf("record %d: %v", n, err)
		}
	}
}

// readAll returns the numbers of all records from a position on.
func readAll(t *testing.T, b *Buffer, from Position, chunk int) (numbers []uint64, end Position, skipped int64) {
	t.Helper()
	for {
		batch, err := b.Read(from, chunk)
		if err != nil {
			t.Fatal(err)
		}
		skipped += batch.Skipped
		from = batch.Next
		if len(batch.Records) == 0 {
			return numbers, from, skipped
		}
		for _, rec := range batch.Records {
			numbers = append(numbers, number(t, rec))
		}
	}
}

func span(from, to uint64) []uint64 {
	var all []uint64
	for n := from; n < to; n++ {
		all = append(all, n)
	}
	return all
}

func wantSpan(t *testing.T, what string, got []uint64, from, to uint64) {
	t.Helper()
	if !slices.Equal(got, span(from, to)) {
		t.Fatalf("%s: %d records %v, want %d to %d", what, len(got), got, from, to)
	}
}

// Random operations, held against a list in memory.
func TestModel(t *testing.T) {
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 0))
		o := small
		if seed%2 == 1 {
			o.Fsync = FsyncSegment
		}
		dir := t.TempDir()
		b := open(t, dir, o)
		type mark struct {
			at  Position
			seq uint64 // of the first record after it
		}
		var appended, synced, released, cursor uint64
		var at Position
		marks := []mark{}
		for step := range 3000 {
			switch r.IntN(12) {
			case 0, 1, 2, 3, 4, 5:
				err := b.Append(record(appended))
				if errors.Is(err, ErrFull) {
					if b.Size()+Overhead+int64(len(record(appended))) <= o.MaxBytes {
						t.Fatalf("seed %d, step %d: full at %d bytes", seed, step, b.Size())
					}
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				appended++
			case 6, 7:
				if err := b.Sync(); err != nil {
					t.Fatal(err)
				}
				synced = appended
			case 8, 9:
				batch, err := b.Read(at, r.IntN(2000))
				if err != nil || batch.Skipped != 0 {
					t.Fatalf("seed %d, step %d: %v, %d bytes skipped", seed, step, err, batch.Skipped)
				}
				for _, rec := range batch.Records {
					if n := number(t, rec); n != cursor {
						t.Fatalf("seed %d, step %d: record %d, want %d", seed, step, n, cursor)
					}
					cursor++
				}
				at = batch.Next
				if len(batch.Records) == 0 && cursor < synced {
					t.Fatalf("seed %d, step %d: nothing to read at %d, and %d are synced", seed, step, cursor, synced)
				}
				marks = append(marks, mark{at, cursor})
			case 10:
				if len(marks) > 0 {
					m := marks[r.IntN(len(marks))]
					if m.seq < released {
						break
					}
					if err := b.Release(m.at); err != nil {
						t.Fatal(err)
					}
					released = m.seq
				}
			case 11:
				if r.IntN(10) > 0 {
					break
				}
				if err := b.Close(); err != nil {
					t.Fatal(err)
				}
				b = open(t, dir, o)
				// All that was not released is there, and less than a segment that was.
				numbers, end, skipped := readAll(t, b, Position{}, 500)
				first := appended
				if len(numbers) > 0 {
					first = numbers[0]
				}
				wantSpan(t, fmt.Sprintf("seed %d, step %d, reopened", seed, step), numbers, first, appended)
				if first > released || skipped > 0 || int64(released-first)*(Overhead+8) > o.SegmentBytes {
					t.Fatalf("seed %d, step %d: reopened at %d, released %d, %d bytes skipped", seed, step, first, released, skipped)
				}
				synced, cursor, at, marks = appended, appended, end, nil
			}
		}
		if appended < 200 || released == 0 {
			t.Errorf("seed %d: %d records, %d released: nothing was shown", seed, appended, released)
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// Full keeps the oldest; released room is used again.
func TestBound(t *testing.T) {
	b := open(t, t.TempDir(), small)
	n := uint64(0)
	for ; ; n++ {
		if err := b.Append(record(n)); errors.Is(err, ErrFull) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Sync(); err != nil {
		t.Fatal(err)
	}
	if b.Size() > small.MaxBytes || b.Size() < small.MaxBytes-Overhead-MaxRecord {
		t.Errorf("full at %d bytes of %d", b.Size(), small.MaxBytes)
	}
	numbers, _, _ := readAll(t, b, Position{}, 4096)
	wantSpan(t, "full", numbers, 0, n)
	batch, err := b.Read(Position{}, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Release(batch.Next); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, b, n, n+20)
	if err := b.Sync(); err != nil {
		t.Fatal(err)
	}
	numbers, end, _ := readAll(t, b, Position{}, 4096)
	wantSpan(t, "after a release", numbers, uint64(len(batch.Records)), n+20)
	if err := b.Release(end); err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if left, _ := filepath.Glob(filepath.Join(b.dir, "*"+suffix)); len(left) > 0 {
		t.Errorf("all is released, and there are %v", left)
	}
}

// A power cut may take whatever was written after the last Sync, at any byte,
// and leave zeros or older bytes in its place. Nothing before is lost, and
// nothing that was not written is read.
func TestTornEnd(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir, small)
	mustAppend(t, b, 0, 20)
	if err := b.Sync(); err != nil {
		t.Fatal(err)
	}
	synced := b.Size()
	mustAppend(t, b, 20, 30)
	path := b.path(1)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.lock.Close(); err != nil { // as a kill does
		t.Fatal(err)
	}
	unsynced := small
	unsynced.Fsync = FsyncSegment // the test's own writes need not survive
	r := rand.New(rand.NewPCG(4, 4))
	tails := map[string]func(n int) []byte{
		"cut":     func(int) []byte { return nil },
		"zeros":   func(n int) []byte { return make([]byte, n) },
		"garbage": func(n int) []byte { return randomBytes(r, n) },
	}
	for name, tail := range tails {
		for cut := int(synced); cut <= len(whole); cut++ {
			dir := t.TempDir()
			content := append(slices.Clone(whole[:cut]), tail(len(whole)-cut)...)
			if err := os.WriteFile(filepath.Join(dir, segmentName(1)), content, 0o600); err != nil {
				t.Fatal(err)
			}
			b := open(t, dir, unsynced)
			mustAppend(t, b, 100, 103)
			if err := b.Sync(); err != nil {
				t.Fatal(err)
			}
			numbers, _, _ := readAll(t, b, Position{}, 512)
			old, fresh := numbers[:max(0, len(numbers)-3)], numbers[max(0, len(numbers)-3):]
			wantSpan(t, fmt.Sprintf("%s at %d", name, cut), old, 0, uint64(len(old)))
			wantSpan(t, fmt.Sprintf("%s at %d, written after", name, cut), fresh, 100, 103)
			if len(old) < 20 {
				t.Fatalf("%s at %d of %d: %d records, want the 20 synced", name, cut, len(whole), len(old))
			}
			if err := b.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func randomBytes(r *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
		if r.IntN(4) == 0 {
			b[i] = recordMark
		}
	}
	return b
}

// A flipped byte costs the record that it is in and no other.
func TestDamagedByte(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir, small)
	mustAppend(t, b, 0, 60)
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, segmentName(1))
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(5, 5))
	for at := range whole {
		hurt := slices.Clone(whole)
		hurt[at] ^= byte(1 + r.IntN(255))
		if err := os.WriteFile(path, hurt, 0o600); err != nil {
			t.Fatal(err)
		}
		b := open(t, dir, small)
		numbers, _, skipped := readAll(t, b, Position{}, 300)
		if len(numbers) != 59 || skipped == 0 {
			t.Fatalf("byte %d of %d damaged: %d of 60 records, %d bytes skipped; want 59", at, len(whole), len(numbers), skipped)
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestOneProcess(t *testing.T) {
	dir := t.TempDir()
	b := open(t, dir, small)
	if second, err := Open(dir, small); err == nil {
		second.Close()
		t.Error("a second opener is let in")
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if err := open(t, dir, small).Close(); err != nil {
		t.Fatal(err)
	}
}
