package site

import (
	"context"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/abreast"
)

// How far [Site.AnalyseRecent] looks back at first, and by what factor further
// each time: this project's choice.
const (
	recentS    = 4 * 86400.0
	furtherFor = 4
)

// AnalyseRecent analyses the last readings of a dwelling in the period: as many
// days of them as give events that are enough, at most all. begun is the first
// reading of the whole record in the period; zero where the readings are on a
// server, which are all read.
func (s *Site) AnalyseRecent(ctx context.Context, d *greywatt.Dwelling, enough func([]event.Event) bool) (r Result, begun greywatt.Instant, err error) {
	begun, end, err := s.recorded(ctx, d)
	if err != nil {
		return r, 0, err
	}
	p := s.Period
	if end != 0 {
		for back := recentS; ; back *= furtherFor {
			from := end.Add(-back)
			if from <= begun {
				break
			}
			p.From = from
			r = s.analyseOne(ctx, d, analysis.Options{Period: p}, 1)
			if r.Err != nil || enough(r.Events) {
				return r, begun, r.Err
			}
		}
	}
	r = s.analyseOne(ctx, d, analysis.Options{Period: s.Period}, abreast.Workers(1))
	return r, begun, r.Err
}

// recorded returns the first and last reading of a dwelling within the period,
// zeros where the store does not know them without being read.
func (s *Site) recorded(ctx context.Context, d *greywatt.Dwelling) (first, last greywatt.Instant, err error) {
	first, last, err = extent(ctx, s.Readings, d)
	if err != nil || first == 0 {
		return 0, 0, err
	}
	if s.Period.To != 0 {
		last = min(last, s.Period.To)
	}
	if last < first {
		return 0, 0, nil
	}
	return max(first, s.Period.From), last, nil
}
