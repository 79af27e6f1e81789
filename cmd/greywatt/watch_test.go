package main

import (
	"bufio"
	"context"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/influx/influxdtest"
)

// startWatch starts greywatt watch and returns where its page is and what it
// writes, line by line.
func startWatch(t *testing.T, args ...string) (url string, lines <-chan string) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	saidReader, said := io.Pipe()
	toldReader, told := io.Pipe()
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, append([]string{"watch", "--http", "127.0.0.1:0"}, args...),
			&cli.Console{In: strings.NewReader(""), Out: told, Err: said, Getenv: func(string) string { return "" }, Name: "greywatt"})
		close(done) // for who asks again
		said.Close()
		told.Close()
	}()
	log := bufio.NewScanner(saidReader)
	for url == "" && log.Scan() {
		if m := pageURL.FindStringSubmatch(log.Text()); m != nil {
			url = m[1]
		}
	}
	events := make(chan string, 1000)
	go io.Copy(io.Discard, saidReader)
	go func() {
		defer close(events)
		for in := bufio.NewScanner(toldReader); in.Scan(); {
			events <- in.Text()
		}
	}()
	t.Cleanup(func() {
		stop()
		if code := <-done; code != cli.ExitInterrupted {
			t.Errorf("exit code %d, want %d", code, cli.ExitInterrupted)
		}
		for range events {
		}
	})
	if url == "" {
		t.Fatalf("no page; exit code %d", <-done)
	}
	return url, events
}

// awaitPage waits until a page says something.
func awaitPage(t *testing.T, url, want string) {
	t.Helper()
	body := ""
	for deadline := time.Now().Add(2 * time.Minute); time.Now().Before(deadline); <-time.After(50 * time.Millisecond) {
		if _, body = fetch(t, url, ""); strings.Contains(body, want) {
			return
		}
	}
	t.Fatalf("the page does not say %q: %.3000s", want, body)
}

// Watching a server to which a logger writes: the history with its findings is
// on the page, and what comes is told of and shown.
func TestWatchServer(t *testing.T) {
	s := influxdtest.Open(t)
	study, files := street(t, "8")
	testWatch(t, study, files, "--store", bucketURL(s, influxdtest.Bucket))
}

// The same beside a logger that has the data folder.
func TestWatchFolder(t *testing.T) {
	study, files := street(t, "8")
	testWatch(t, study, files, "--data", filepath.Join(t.TempDir(), "data"))
}

func testWatch(t *testing.T, study string, files []string, source ...string) {
	t.Helper()
	with := func(verb string, args ...string) []string {
		return append(append([]string{verb, "--study", study}, source...), args...)
	}
	invoke(t, cli.ExitDone, append(with("import"), files[:2]...)...)
	broker, stop := startRun(t, with("run")[1:]...)
	defer stop()
	url, told := startWatch(t, with("watch", "--dwelling", "hazel-02", "--dwelling", "hazel-03")[1:]...)
	awaitPage(t, url+"/dwelling/hazel-02", ", with draws that bring no warm waste")
	if _, body := fetch(t, url+"/", ""); strings.Contains(body, "hazel-01") || !strings.Contains(body, "hazel-03") {
		t.Error("the page is not of the dwellings that were asked for")
	}
	publishStreet(t, broker, 8)
	var got []string
	want := strings.Split(strings.TrimSpace(invoke(t, cli.ExitDone, with("events", "--dwelling", "hazel-03")...)), "\n")
	want = want[1 : len(want)-1] // without the head and the count
	for len(got) < len(want)-1 { // the last may not be over yet
		select {
		case line := <-told:
			if !strings.Contains(line, "hazel-02") {
				got = append(got, strings.Fields(line)[0])
			}
		case <-time.After(2 * time.Minute):
			t.Fatalf("told of %d events, want %d", len(got), len(want))
		}
	}
	slices.Sort(got)
	for i, id := range got {
		if !strings.HasPrefix(want[i], id+" ") {
			t.Fatalf("told of %s, want %s", id, want[i])
		}
	}
	awaitPage(t, url+"/event/"+got[0], "Temperatures and flow")
	if _, body := fetch(t, url+"/healthz", ""); body != "ok\n" {
		t.Errorf("health %q", body)
	}
}
