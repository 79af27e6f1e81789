package site

import (
	"cmp"
	"slices"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/cli"
)

// A Period is a stretch of time that a user asks for: from from (inclusive) to
// to (exclusive), zero where it has no end.
type Period struct{ From, To greywatt.Instant }

// The analysis needs what comes before an event to know the room, for which it
// looks back a day, and the pace of sampling at rest; and what comes after it,
// six hours at most, to know that it is over.
const runInS, runOutS = 48 * 3600.0, 6 * 3600.0

func (p Period) runIn() greywatt.Instant {
	if p.From == 0 {
		return 0
	}
	return p.From.Add(-runInS)
}

func (p Period) runOut() greywatt.Instant {
	if p.To == 0 {
		return 0
	}
	return p.To.Add(runOutS)
}

func (p Period) contains(at greywatt.Instant) bool {
	return at >= p.From && (p.To == 0 || at < p.To)
}

// filter keeps the events that start in the period.
func (p Period) filter(events []event.Event) []event.Event {
	return slices.DeleteFunc(events, func(e event.Event) bool { return !p.contains(e.Start) })
}

// cut returns those of the frames, in time order, that lie in the period.
func (p Period) cut(frames []greywatt.Frame) []greywatt.Frame {
	at := func(f greywatt.Frame, t greywatt.Instant) int { return cmp.Compare(f.At, t) }
	i, _ := slices.BinarySearchFunc(frames, p.From, at)
	j := len(frames)
	if p.To != 0 {
		j, _ = slices.BinarySearchFunc(frames, p.To, at)
	}
	return frames[i:max(i, j)]
}

// A PeriodFlag is a period in words.
type PeriodFlag struct{ from, to string }

func (f *PeriodFlag) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.from, "from", "", "only from `DAY` on, in the study's time zone, or from an RFC 3339 instant")
	flags.StringVar(&f.to, "to", "", "only to the end of `DAY`, or before an RFC 3339 instant")
}

// In returns the period, days being of the study's time zone.
func (f *PeriodFlag) In(zone *time.Location) (p Period, err error) {
	if p.From, err = instant("from", f.from, zone, 0); err != nil {
		return p, err
	}
	if p.To, err = instant("to", f.to, zone, 1); err != nil {
		return p, err
	}
	if p.To != 0 && p.To <= p.From {
		return p, cli.Usagef("--to %s is before --from %s", f.to, f.from)
	}
	return p, nil
}

// instant reads a day, of which it returns the beginning plus days, or an
// instant. Empty is zero.
func instant(flag, text string, zone *time.Location, days int) (greywatt.Instant, error) {
	if text == "" {
		return 0, nil
	}
	if day, err := time.ParseInLocation(time.DateOnly, text, zone); err == nil {
		return greywatt.InstantOf(day.AddDate(0, 0, days)), nil
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return 0, cli.Usagef("--%s %q: want a day such as 2026-01-12, or an instant such as 2026-01-12T07:00:00Z", flag, text)
	}
	return greywatt.InstantOf(at), nil
}
