package site

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/studyfile"
)

// LookEvery is how often study file and journal are looked at for changes: this
// project's choice.
const LookEvery = time.Second

// Hangups returns the SIGHUP signals to come, which ask for another look at the
// files and end the program no more.
func Hangups() <-chan os.Signal {
	c := make(chan os.Signal, 1)
	signal.Notify(c, syscall.SIGHUP)
	return c
}

// Follow calls apply with what study file and journal say whenever they have
// changed, until ctx ends; at looks by the clock and at each hangup. Where they
// have mistakes it logs them and calls refuse with a text; with an empty one once
// they are right again. was is what was read last.
func (f *StudyFlag) Follow(ctx context.Context, log *slog.Logger, hangups <-chan os.Signal, was [3]string, apply func(Written), refuse func(why string)) {
	tick := time.NewTicker(LookEvery)
	defer tick.Stop()
	refused := false
	for {
		asked := false
		select {
		case <-tick.C:
		case <-hangups:
			asked = true
		case <-ctx.Done():
			return
		}
		is := f.Contents()
		if is == was && !asked {
			continue
		}
		w, err := f.ReadWhole()
		if again := f.Contents(); again != is { // it is being written: wait for the end
			continue
		}
		changed := is != was
		was = is
		if err != nil {
			refused = true
			f.tellRefused(log, err)
			refuse(strings.TrimSpace(err.Error()))
			continue
		}
		if w.Journal.Torn != nil {
			log.Warn("the journal's last fact is not complete and does not count", "file", string(f.JournalFile()), "line", w.Journal.Torn.Line)
		}
		if refused {
			refused = false
			refuse("")
		} else if !changed {
			log.Info("study file and journal are as they were")
			continue
		}
		log.Info("study file and journal taken up", "dwellings", len(w.Study.Dwellings), "facts", len(w.Journal.Facts))
		apply(w)
	}
}

func (f *StudyFlag) tellRefused(log *slog.Logger, err error) {
	mistakes := (*cli.StudyMistakes)(nil)
	if !errors.As(err, &mistakes) {
		log.Error("a changed study file is not taken; the one before goes on", "error", err)
		return
	}
	for _, m := range mistakes.Mistakes {
		log.Error("a change is not taken; what was before goes on", "file", mistakes.FileOf(&m), "line", m.Line, "mistake", m.String())
	}
}

// Contents returns the texts of study file, journal and table of dwellings as they
// are now; empty where one cannot be read, or there is none.
func (f *StudyFlag) Contents() [3]string {
	var is [3]string
	for i, name := range []string{f.File, string(f.JournalFile())} {
		if text, err := os.ReadFile(name); err == nil {
			is[i] = string(text)
		}
	}
	if table := studyfile.TableName([]byte(is[0])); table != "" {
		if text, err := fs.ReadFile(f.folder(), table); err == nil {
			is[2] = string(text)
		}
	}
	return is
}
