package site

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/kept"
	"greywatt/cmd/greywatt/internal/watch"
)

// A KeptFlag says whether results that were kept are used.
type KeptFlag struct{ recompute bool }

func (f *KeptFlag) AddFlags(flags *pflag.FlagSet) {
	flags.BoolVar(&f.recompute, "recompute", false, "analyse all readings again, whatever results are kept in the data folder")
}

// Log opens what is kept beside the readings for a program that goes on, and says in
// its log what is wrong with it; nil where it is not to be used.
func (f *KeptFlag) Log(log *slog.Logger, data *StoreFlags) *kept.Results {
	if f.recompute || data.OnServer() {
		return nil
	}
	return kept.Open(data.Dir, func(what string, err error) {
		log.Warn(what, "file", filepath.Join(data.Dir, kept.FileName), "error", err)
	})
}

// Past returns how those who follow a store begin: with what is kept of it.
func Past(results *kept.Results, from kept.Store) watch.Kept {
	if results == nil {
		return nil
	}
	return func(ctx context.Context, study *greywatt.Study, d *greywatt.Dwelling, until greywatt.Instant) (watch.Past, error) {
		s, course, at, err := results.Resume(ctx, from, study, d, until)
		if err != nil {
			return watch.Past{}, err
		}
		past := watch.Past{Stretches: s.All(), Course: course, At: at, Damaged: len(s.Damaged)}
		if had := s.Diagnosed(); had != nil {
			past.Diagnosis = &had.Diagnosis
		}
		past.Diagnosed = func(f finding.Diagnosis, r *health.Record) { s.Keep(&kept.Diagnosed{Health: *r, Diagnosis: f}) }
		return past, nil
	}
}

// open opens what is kept beside the readings; nil where it is not to be used.
func (f *KeptFlag) open(con *cli.Console, data *StoreFlags) *kept.Results {
	if f.recompute || data.OnServer() {
		return nil
	}
	return openKept(con, data)
}

func openKept(con *cli.Console, data *StoreFlags) *kept.Results {
	return kept.Open(data.Dir, func(what string, err error) {
		fmt.Fprintf(con.Err, "%s: %s: %v\n", filepath.Join(data.Dir, kept.FileName), what, err)
	})
}

// CompareKept analyses all readings of the study again and says what differs from
// what is kept of them. What is kept of a dwelling with a difference is removed.
func CompareKept(ctx context.Context, con *cli.Console, data *StoreFlags, study *greywatt.Study) ([]string, error) {
	readings, err := data.DataFlag.Read()
	if err != nil {
		return nil, err
	}
	defer readings.Close()
	results := openKept(con, data)
	defer results.Close()
	all, err := Dwellings(study, nil)
	if err != nil {
		return nil, err
	}
	differs := []string{}
	for _, d := range all {
		had, err := results.Run(ctx, readings, study, d, analysis.Options{}, 1)
		if err != nil {
			return nil, err
		}
		is := analyseDwelling(ctx, readings, study, d, analysis.Options{}, 1)
		if is.Err != nil {
			return nil, is.Err
		}
		texts := difference(&had, &is.Result)
		differs = append(differs, texts...)
		if len(texts) > 0 {
			if err := kept.Erase(data.Dir, d.ID); err != nil {
				return nil, err
			}
		}
	}
	return differs, nil
}

// mostNamed is how many differing events of a dwelling are named.
const mostNamed = 5

// difference says how two results of a dwelling differ, as text: in that, figures
// that are not known are alike.
func difference(had, is *analysis.Result) (texts []string) {
	text := func(v any) string { return fmt.Sprintf("%+v", v) }
	add := func(format string, args ...any) {
		texts = append(texts, fmt.Sprintf("dwelling "+is.Dwelling.ID+": "+format, args...))
	}
	if len(had.Events) != len(is.Events) {
		add("%d events were kept, there are %d", len(had.Events), len(is.Events))
	}
	differ := 0
	for i := range min(len(had.Events), len(is.Events)) {
		a, b := &had.Events[i], &is.Events[i]
		if text(*a) == text(*b) {
			continue
		}
		if differ++; differ <= mostNamed {
			add("event %s was kept with another %s", b.ID, column(a, b))
		}
	}
	if differ > mostNamed {
		add("%d events in all were kept with other figures", differ)
	}
	for _, of := range []struct {
		name     string
		had, are any
	}{
		{"the state of the sensors", had.Health, is.Health}, {"the completeness", had.Completeness, is.Completeness},
		{"the findings", had.Diagnosis.Findings, is.Diagnosis.Findings}, {"the number of events left out", had.LeftOut, is.LeftOut},
	} {
		if text(of.had) != text(of.are) {
			add("%s differs", of.name)
		}
	}
	return texts
}

// column returns the name of the first column in which two events differ.
func column(a, b *event.Event) string {
	is := map[string]string{}
	for name, v := range dataset.EventValues(b) {
		is[name] = fmt.Sprint(v)
	}
	for name, v := range dataset.EventValues(a) {
		if is[name] != fmt.Sprint(v) {
			return name
		}
	}
	return "budget"
}
