package site

import (
	"context"
	"fmt"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/ingest"
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
			r = analyseDwelling(ctx, s.Readings, s.Study, d, analysis.Options{Period: p})
			if r.Err != nil || enough(r.Events) {
				return r, begun, r.Err
			}
		}
	}
	r = analyseDwelling(ctx, s.Readings, s.Study, d, analysis.Options{Period: s.Period})
	return r, begun, r.Err
}

// recorded returns the first and last reading of a dwelling within the period,
// zeros where the store does not know them without being read.
func (s *Site) recorded(ctx context.Context, d *greywatt.Dwelling) (first, last greywatt.Instant, err error) {
	of, ok := s.Readings.(interface {
		Nodes(context.Context) ([]ingest.NodeSummary, error)
	})
	if !ok {
		return 0, 0, nil
	}
	nodes, err := of.Nodes(ctx)
	if err != nil {
		return 0, 0, fmt.Errorf("dwelling %s: %w", d.ID, err)
	}
	for _, n := range nodes {
		if n.Dwelling != d.ID || n.Frames == 0 {
			continue
		}
		if first == 0 || n.First < first {
			first = n.First
		}
		last = max(last, n.Last)
	}
	if first == 0 {
		return 0, 0, ctx.Err()
	}
	if s.Period.To != 0 {
		last = min(last, s.Period.To)
	}
	if last < first {
		return 0, 0, nil
	}
	return max(first, s.Period.From), last, nil
}
