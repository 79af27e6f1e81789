package main

import (
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/cleaning"
)

// A due date that is not known to two months is said with the ends of its interval.
func TestVerdictWords(t *testing.T) {
	day := func(n int) greywatt.Instant {
		return greywatt.InstantOf(time.Date(2026, 3, n, 12, 0, 0, 0, time.UTC))
	}
	for _, c := range []struct {
		is   cleaning.Assessment
		want string
	}{
		{cleaning.Assessment{Verdict: cleaning.Now}, "clean now"},
		{cleaning.Assessment{Verdict: cleaning.By, Due: day(20), DueFrom: day(1), DueTo: day(50)}, "clean by 2026-03-20"},
		{cleaning.Assessment{Verdict: cleaning.By, Due: day(20), DueFrom: day(1), DueTo: day(92)}, "clean by 2026-03-20, uncertain: between 2026-03-01 and 2026-05-31"},
		{cleaning.Assessment{Verdict: cleaning.By, Due: day(20), DueFrom: day(1)}, "clean by 2026-03-20, uncertain: not before 2026-03-01, perhaps not within two years"},
		{cleaning.Assessment{Verdict: cleaning.NotYet}, "no cleaning needed yet"},
		{cleaning.Assessment{Verdict: cleaning.Unknown}, "cannot tell"},
	} {
		if got := verdictWords(&c.is, time.UTC); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
