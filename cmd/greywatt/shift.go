package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
)

// A shift moves the times of what one node stamped with a wrong clock.
type shift struct {
	dwelling, node string
	seconds        float64
	from           greywatt.Instant // of the stamps that are moved
}

// parseShift reads DWELLING/NODE=SECONDS, with @TIME behind it where only stamps
// from then on are to be moved.
func parseShift(text string) (s shift, err error) {
	place, rest, ok := strings.Cut(text, "=")
	dwelling, node, ok2 := strings.Cut(place, "/")
	if !ok || !ok2 || dwelling == "" || node == "" {
		return s, fmt.Errorf("%q: want DWELLING/NODE=SECONDS or DWELLING/NODE=SECONDS@TIME", text)
	}
	by, since, dated := strings.Cut(rest, "@")
	s = shift{dwelling: dwelling, node: node, from: math.MinInt64}
	if s.seconds, err = strconv.ParseFloat(by, 64); err != nil || !(math.Abs(s.seconds) <= 100*366*86400) {
		return s, fmt.Errorf("%q: %q is not a number of seconds", text, by)
	}
	if dated {
		at, err := time.Parse(time.RFC3339, since)
		if err != nil {
			return s, fmt.Errorf("%q: %q is not a time such as 2026-03-01T06:30:00Z", text, since)
		}
		s.from = greywatt.InstantOf(at)
	}
	return s, nil
}

func parseShifts(texts []string) (all []shift, err error) {
	for _, text := range texts {
		s, err := parseShift(text)
		if err != nil {
			return nil, cli.Usagef("--shift %w", err)
		}
		all = append(all, s)
	}
	return all, nil
}

// moveTimes moves the times of readings as the shifts say; a later shift moves
// what an earlier one has.
func moveTimes(shifts []shift, rs []greywatt.Reading) {
	for _, s := range shifts {
		for i := range rs {
			if r := &rs[i]; r.Node == s.node && r.Dwelling == s.dwelling && r.At >= s.from {
				r.At = r.At.Add(s.seconds)
			}
		}
	}
}
