//go:build linux

package main

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

// Study file and journal are edited while the program logs: what is right is
// taken up, what is faulty is refused in the log and on the page with its line
// while the old goes on, SIGHUP ends nothing. The node's one connection stays,
// and every reading that it sent is on disk.
func TestEditsWhileLogging(t *testing.T) {
	dir := t.TempDir()
	study, data := filepath.Join(dir, "study.toml"), filepath.Join(dir, "data")
	text, err := os.ReadFile(filesStudy)
	if err != nil {
		t.Fatal(err)
	}
	edit := func(text string) {
		t.Helper()
		if err := os.WriteFile(study, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	edit(string(text))
	p := startProgram(t, "run", "--study", study, "--data", data, "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0")
	url, _ := p.hear(t, `msg=listening broker=(\S+)`, 0)
	page, next := p.hear(t, `msg=page url=(\S+)`, 0)

	s := &crashSender{name: "n1"}
	n, err := publish.Connect(url, payload.Topic{Dwelling: "larch-04", Node: s.name}, payload.DefaultPrefix)
	if err != nil {
		t.Fatal(err)
	}
	quit, sent := make(chan struct{}), make(chan error, 1)
	go func() {
		for pace := time.NewTicker(20 * time.Millisecond); ; <-pace.C {
			select {
			case <-quit:
				sent <- nil
				return
			default:
			}
			n.Readings = append(n.Readings[:0], s.readings(s.sent)...)
			s.sent++
			if err := n.Publish(); err != nil {
				sent <- err
				return
			}
			for len(n.UnderWay) > 0 {
				if err := n.AwaitOldest(); err != nil {
					sent <- err
					return
				}
				s.acked++
			}
		}
	}()

	invoke(t, cli.ExitDone, "note", "larch-04", "cleaned", "--at", "2026-02-03", "--study", study)
	_, next = p.hear(t, `taken up.* facts=1`, next)
	awaitPage(t, page+"/dwelling/larch-04", "larch-04")

	more := string(text) + "\n[[dwelling]]\nid = \"larch-99\"\nconnection = \"B\"\nexchanger.rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]\n"
	edit(more)
	_, next = p.hear(t, `taken up.* dwellings=2`, next)
	awaitPage(t, page+"/dwelling/larch-99", "larch-99")
	other, err := publish.Connect(url, payload.Topic{Dwelling: "larch-99", Node: "n1"}, payload.DefaultPrefix)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Client.Disconnect(0)
	other.Readings = []greywatt.Reading{{Dwelling: "larch-99", Node: "n1", Channel: greywatt.ColdIn, At: greywatt.InstantOfUnix(1.77e9), Value: 11}}
	if err := other.Publish(); err != nil {
		t.Fatal(err)
	}
	if err := other.AwaitOldest(); err != nil {
		t.Fatal(err)
	}

	edit(more + "connection = \"D\"\n")
	line, next := p.hear(t, `change is not taken.* line=(\d+)`, next)
	if want := strings.Count(more, "\n") + 1; line != strconv.Itoa(want) {
		t.Errorf("the mistake is on line %s, want %d", line, want)
	}
	awaitPage(t, page+"/", "is not taken")
	awaitPage(t, page+"/", study+":"+line)
	if status, _ := fetch(t, page+"/dwelling/larch-99", ""); status != 200 {
		t.Errorf("after a faulty edit the page of larch-99 has status %d", status)
	}

	edit(more)
	_, next = p.hear(t, `taken up.* dwellings=2`, next)
	if _, body := fetch(t, page+"/", ""); strings.Contains(body, "is not taken") {
		t.Error("the page still says that an edit is not taken")
	}

	// a table of dwellings is followed too
	table := func(text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, "homes.csv"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	table("id,connection,rated\nlarch-50,B,9.5:0.57\n")
	edit(strings.Replace(more, "[study]\n", "[study]\ndwellings = \"homes.csv\"\n", 1))
	_, next = p.hear(t, `taken up.* dwellings=3`, next)
	table("id,connection,rated\nlarch-50,B,9.5:0.57\nlarch-51,B,9.5:57\n")
	line, next = p.hear(t, `change is not taken.*homes\.csv line=(\d+)`, next)
	if line != "3" {
		t.Errorf("the mistake is on line %s of the table, want 3", line)
	}
	table("id,connection,rated\nlarch-50,B,9.5:0.57\nlarch-51,B,9.5:0.57\n")
	_, next = p.hear(t, `taken up.* dwellings=4`, next)
	p.cmd.Process.Signal(syscall.SIGHUP)
	p.hear(t, `as they were`, next)

	close(quit)
	if err := <-sent; err != nil {
		t.Fatalf("the node's connection ended: %v\n%s", err, p.log())
	}
	n.Client.Disconnect(0)
	p.stop(t)
	st, err := store.Open(data, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	stored := map[greywatt.Instant]float64{}
	for frames, err := range st.Frames(t.Context(), "larch-04", 0, 0) {
		if err != nil {
			t.Fatal(err)
		}
		for i := range frames {
			stored[frames[i].At] = frames[i].Value[greywatt.ColdIn]
		}
	}
	if s.acked != s.sent || s.sent < 5 {
		t.Errorf("%d packs sent, %d acknowledged", s.sent, s.acked)
	}
	s.compare(t, stored)
	of99 := 0
	for frames, err := range st.Frames(t.Context(), "larch-99", 0, 0) {
		if err != nil {
			t.Fatal(err)
		}
		of99 += len(frames)
	}
	if of99 != 1 {
		t.Errorf("%d frames of the dwelling that came later, want 1", of99)
	}
}
