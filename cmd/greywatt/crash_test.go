//go:build linux

package main

import (
	"flag"
	"fmt"
	"maps"
	mathrand "math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

var rounds = flag.Int("rounds", 3, "times that TestCrash kills the program")

// The program, with its broker, its page and its analysis, is killed at random
// instants under load, again and again on the same data folder. What it has
// acknowledged is there, nothing is there twice or changed, and the store is
// sound. It shows what SIGKILL does; for the loss of power see ingest/store.
func TestCrash(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	amid := 0
	for round := range *rounds {
		p := startProgram(t, "run", "--study", filesStudy, "--data", data, "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0")
		url, _ := p.hear(t, `msg=listening broker=(\S+)`, 0)
		var work sync.WaitGroup
		senders := make([]*crashSender, 3)
		for i := range senders {
			s := &crashSender{name: fmt.Sprintf("r%03d-n%d", round, i)}
			n, err := publish.Connect(url, payload.Topic{Dwelling: "larch-04", Node: s.name}, payload.DefaultPrefix)
			if err != nil {
				t.Fatal(err)
			}
			senders[i] = s
			work.Go(func() { s.run(n) })
		}
		instant := time.NewTimer(mathrand.N(600 * time.Millisecond))
		<-instant.C
		p.kill()
		work.Wait()

		st, err := store.Open(data, store.Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		damage, err := st.Check(t.Context())
		if err != nil || len(damage) > 0 {
			t.Errorf("round %d: the store: %v, %v", round, damage, err)
		}
		stored := map[string]map[greywatt.Instant]float64{}
		for frames, err := range st.Frames(t.Context(), "larch-04", 0, 0) {
			if err != nil {
				t.Fatal(err)
			}
			for i := range frames {
				f := &frames[i]
				if stored[f.Node] == nil {
					stored[f.Node] = map[greywatt.Instant]float64{}
				}
				if _, twice := stored[f.Node][f.At]; twice {
					t.Errorf("round %d: %s has a reading twice", round, f.Node)
				}
				stored[f.Node][f.At] = f.Value[greywatt.ColdIn]
			}
		}
		if err := st.Close(); err != nil {
			t.Fatal(err)
		}
		for _, s := range senders {
			if s.acked > 0 {
				amid++
			}
			s.compare(t, stored[s.name])
		}
		if t.Failed() {
			t.Fatalf("in round %d:\n%s", round, p.log())
		}
	}
	t.Logf("%d kills; of %d nodes' streams %d had acknowledged packs and some under way", *rounds, 3**rounds, amid)
	if amid == 0 {
		t.Error("no kill came amid a stream: nothing was shown")
	}
}

// A crashSender publishes packs until its connection ends.
type crashSender struct {
	name        string
	sent, acked int // packs
}

const crashPack = 20 // readings

func (s *crashSender) readings(pack int) []greywatt.Reading {
	rs := make([]greywatt.Reading, crashPack)
	for i := range rs {
		at := pack*crashPack + i
		rs[i] = greywatt.Reading{
			Dwelling: "larch-04", Node: s.name, Channel: greywatt.ColdIn,
			At: greywatt.InstantOfUnix(1.77e9).Add(float64(at)), Value: float64(at%4000) / 64,
		}
	}
	return rs
}

func (s *crashSender) run(n *publish.Node) {
	defer n.Client.Disconnect(0)
	for {
		n.Readings = append(n.Readings[:0], s.readings(s.sent)...)
		s.sent++
		if n.Publish() != nil {
			return
		}
		for len(n.UnderWay) > 0 {
			oldest := n.UnderWay[0]
			if len(n.UnderWay) < publish.PacksUnderWay/2 {
				select {
				case <-oldest.Done():
				default:
					oldest = nil
				}
			}
			if oldest == nil {
				break
			}
			if oldest.Wait(); oldest.Error() != nil {
				return
			}
			n.UnderWay = n.UnderWay[1:]
			s.acked++
		}
	}
}

// compare holds what is stored of the node against what it sent: all packs that
// were acknowledged, and of the others any, each with the values that were sent.
func (s *crashSender) compare(t *testing.T, stored map[greywatt.Instant]float64) {
	t.Helper()
	left := maps.Clone(stored)
	for pack := range s.sent {
		for _, r := range s.readings(pack) {
			v, ok := stored[r.At]
			delete(left, r.At)
			if !ok && pack < s.acked {
				t.Fatalf("%s: pack %d of %d acknowledged is lost", s.name, pack, s.acked)
			}
			if ok && v != r.Value {
				t.Errorf("%s: %v is stored at %s, sent was %v", s.name, v, r.At, r.Value)
			}
		}
	}
	if len(left) > 0 {
		t.Errorf("%s: %d readings are stored that were not sent", s.name, len(left))
	}
}

// A second logger on a data folder is refused, and told who has it; a first one
// that was killed is no obstacle.
func TestTwoLoggers(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	args := []string{"run", "--study", filesStudy, "--data", data, "--listen", "127.0.0.1:0", "--http", ""}
	first := startProgram(t, args...)
	first.hear(t, `msg=listening`, 0)
	second := startProgram(t, args...)
	<-second.ended
	if code, pid := second.cmd.ProcessState.ExitCode(), fmt.Sprint(first.cmd.Process.Pid); code != cli.ExitFailure || !strings.Contains(second.log(), pid) {
		t.Errorf("exit code %d, want %d, and that process %s has the folder:\n%s", code, cli.ExitFailure, pid, second.log())
	}
	first.kill()
	third := startProgram(t, args...)
	third.hear(t, `msg=listening`, 0)
	third.stop(t)
}
