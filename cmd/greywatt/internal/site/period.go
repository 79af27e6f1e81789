package site

import (
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis"
	"greywatt/cmd/greywatt/internal/cli"
)

// A Period is the time that a user asks about.
type Period = analysis.Period

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
