package logger

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"greywatt"
	"greywatt/ingest/store"
)

// A logger takes up what it keeps of a dwelling as soon as its study has it, and
// at its start what the study has got meanwhile.
func TestStudyTakesUpTheQuarantine(t *testing.T) {
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	start := func(study *greywatt.Study) (l *Logger, stop func()) {
		l = New(st, study, "greywatt", slog.New(slog.DiscardHandler), time.Now, false, nil, Options{})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- l.Run(ctx) }()
		return l, func() {
			t.Helper()
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
	}
	await := func(what string, is func() bool) {
		t.Helper()
		for end := time.Now().Add(time.Minute); !is(); time.Sleep(5 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatal(what)
			}
		}
	}
	offer := func(l *Logger, dwelling string) {
		t.Helper()
		safe := make(chan struct{})
		body := fmt.Sprintf(`[{"n":"flow","u":"l/s","t":%d,"v":0.1}]`, time.Now().Unix())
		if err := l.Committer.Offer("greywatt/"+dwelling+"/n1/senml", []byte(body), func() { close(safe) }); err != nil {
			t.Fatal(err)
		}
		<-safe
	}
	has := func(dwelling string) bool {
		nodes, err := st.Nodes(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range nodes {
			if n.Dwelling == dwelling && n.Readings == 1 {
				return true
			}
		}
		return false
	}
	study := larch()
	l, stop := start(study)
	offer(l, "elm-01")
	offer(l, "yew-02")
	if has("elm-01") || st.QuarantineBytes() == 0 {
		t.Fatalf("%d bytes are kept", st.QuarantineBytes())
	}
	study.Dwellings = append(study.Dwellings, greywatt.Dwelling{ID: "elm-01"})
	l.Rename(study)
	await("elm-01 is not taken up", func() bool { return has("elm-01") })
	stop()
	study.Dwellings = append(study.Dwellings, greywatt.Dwelling{ID: "yew-02"})
	_, stop = start(study)
	await("yew-02 is not taken up", func() bool { return has("yew-02") && st.QuarantineBytes() == 0 })
	stop()
}

// Readings are gathered for as long as is asked for: a second message that comes
// meanwhile costs no commit of its own.
func TestCommitDelay(t *testing.T) {
	synctest.Test(t, testCommitDelay)
}

func testCommitDelay(t *testing.T) {
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	l := New(st, larch(), "greywatt", slog.New(slog.DiscardHandler), time.Now, false, nil, Options{CommitDelay: time.Hour})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- l.Committer.Run(ctx) }()
	for i := range 2 {
		body := fmt.Sprintf(`[{"n":"flow","u":"l/s","t":%d,"v":0.1}]`, time.Now().Unix()+int64(i))
		if err := l.Committer.Offer("greywatt/larch-04/n1/senml", []byte(body), func() {}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Minute) // of the test's clock
		synctest.Wait()
	}
	if n := l.Committer.Status().Commits; n != 0 {
		t.Errorf("%d commits within an hour", n)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if n := l.Committer.Status().Commits; n != 1 {
		t.Errorf("%d commits of two messages", n)
	}
}
