package store

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"greywatt"

	"zombiezen.com/go/sqlite"
)

const crashDir = "GREYWATT_STORE_CRASH_DIR" // set in the child that is to be killed

func TestMain(m *testing.M) {
	if dir := os.Getenv(crashDir); dir != "" {
		fmt.Fprintln(os.Stderr, appendForEver(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// crashBatch is batch seq of the child: mostly small, some long enough to be
// packed at once, overlapping the ones before.
func crashBatch(seq int) []greywatt.Reading {
	n := 20
	if seq%7 == 3 {
		n = 2 * directFrames
	}
	var rs []greywatt.Reading
	for i := range n {
		at := t0 + greywatt.Instant(seq+i*1000)*1_000_000
		rs = append(rs, reading("larch-04", "n1", greywatt.ColdIn, at, float64(seq%100)), reading("larch-04", "n1", greywatt.WasteIn, at, float64(i)))
	}
	return rs
}

// appendForEver appends batches and prints the number of each once it is
// stored, beginning behind the last one that it finds; now and then it seals.
func appendForEver(dir string) error {
	s, err := Open(dir, Options{})
	if err != nil {
		return err
	}
	ctx := context.Background()
	nodes, err := s.Nodes(ctx)
	if err != nil {
		return err
	}
	seq := 0
	for _, n := range nodes {
		seq += int(n.Frames) // more than there were batches
	}
	for ; ; seq++ {
		if _, err := s.Append(ctx, crashBatch(seq)); err != nil {
			return err
		}
		fmt.Println(seq)
		if seq%5 == 0 {
			if _, err := s.Seal(ctx, t0+greywatt.Instant(seq*500)*1_000_000); err != nil {
				return err
			}
		}
	}
}

// TestCrash kills a process that appends, again and again on the same store.
// Every batch that was acknowledged must be there, every other one in whole or
// not at all, and no reading twice. It shows what SIGKILL does, not what the
// loss of power does: see TestLogCutShort.
func TestCrash(t *testing.T) {
	dir := t.TempDir()
	m := make(model)
	for round := range *rounds {
		acked := crashRound(t, dir, 1+rand.IntN(60))
		s, err := Open(dir, Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		for _, seq := range acked {
			m.append(crashBatch(seq))
		}
		// The batch under way when the process died may have become durable.
		have := modelOf(t, s)
		if next := crashBatch(acked[len(acked)-1] + 1); have.append(next).New == 0 {
			m.append(next)
		}
		compareAll(t, s, m)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// crashRound runs the child until it has acknowledged n batches, kills it and
// returns all that it acknowledged.
func crashRound(t *testing.T, dir string, n int) (acked []int) {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), crashDir+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Process.Kill()
	for lines := bufio.NewScanner(out); lines.Scan(); {
		var seq int
		if _, err := fmt.Sscan(lines.Text(), &seq); err != nil {
			t.Fatal(err)
		}
		acked = append(acked, seq)
		if len(acked) == n {
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	cmd.Wait() // killed: an error for certain
	if len(acked) < n {
		t.Fatalf("child ended after %d of %d batches", len(acked), n)
	}
	return acked
}

func modelOf(t *testing.T, s *Store) model {
	t.Helper()
	m := make(model)
	m.append(readings("larch-04", collect(t, s, "larch-04", 0, 0)))
	return m
}

// TestLogCutShort stands for the loss of power: it cuts the write-ahead log at
// many lengths, and blanks its end, as a disk does that had not written all.
// The store must open, be sound, and hold exactly the batches whose log had
// been written when they were acknowledged.
func TestLogCutShort(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	const batches = 12
	var sizes [batches]int64 // of the log when batch i was acknowledged
	for i := range batches {
		if _, err := s.Append(t.Context(), crashBatch(i)); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(s.Path() + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		sizes[i] = info.Size()
	}
	db, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	wal, err := os.ReadFile(s.Path() + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	step := int64(len(wal) / (20 * *rounds))
	for cut := sizes[0]; cut <= int64(len(wal)); cut += step {
		left := wal[:cut:cut]
		if cut/step%2 == 1 {
			left = append(left, make([]byte, int64(len(wal))-cut)...)
		}
		m := make(model)
		for i, size := range sizes {
			// A page may end in zeros, which blanking leaves as they were.
			if size <= int64(len(left)) && bytes.Equal(left[:size], wal[:size]) {
				m.append(crashBatch(i))
			}
		}
		copied := filepath.Join(dir, fmt.Sprint(cut))
		if err := errors.Join(os.Mkdir(copied, 0o755), os.WriteFile(filepath.Join(copied, FileName), db, 0o644),
			os.WriteFile(filepath.Join(copied, FileName+"-wal"), left, 0o644)); err != nil {
			t.Fatal(err)
		}
		s := openTest(t, copied)
		compareAll(t, s, m)
		s.Close()
	}
}

// TestEveryCommitIsFlushed: whoever acknowledges after Append relies on these
// settings, on every connection.
func TestEveryCommitIsFlushed(t *testing.T) {
	s := openTest(t, t.TempDir())
	c, err := s.acquire()
	if err != nil {
		t.Fatal(err)
	}
	defer s.release(c)
	for _, conn := range []struct {
		name string
		c    *sqlite.Conn
	}{{"writer", s.w}, {"reader", c}} {
		// https://www.sqlite.org/pragma.html: synchronous 2 is FULL.
		for name, want := range map[string]int{"synchronous": 2, "secure_delete": 1, "cache_size": -16000, "application_id": applicationID} {
			if got, err := integer(conn.c, "PRAGMA "+name); err != nil || got != want {
				t.Errorf("%s: %s = %d, %v, want %d", conn.name, name, got, err, want)
			}
		}
		var mode string
		if err := query(conn.c, "PRAGMA journal_mode", func(r *sqlite.Stmt) error { mode = r.ColumnText(0); return nil }); err != nil || mode != "wal" {
			t.Errorf("%s: journal_mode %q, %v", conn.name, mode, err)
		}
	}
}
