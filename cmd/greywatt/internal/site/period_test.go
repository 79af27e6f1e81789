package site

import (
	"testing"
	"time"

	"greywatt"
)

func TestPeriodFlag(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	day := func(text string) greywatt.Instant {
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return greywatt.InstantOf(at)
	}
	for _, test := range []struct {
		flag PeriodFlag
		want Period
		bad  bool
	}{
		{flag: PeriodFlag{}, want: Period{}},
		// The clocks go forward on 29 March 2026 in Ireland: that day has 23 hours.
		{flag: PeriodFlag{"2026-03-29", "2026-03-29"}, want: Period{From: day("2026-03-29T00:00:00Z"), To: day("2026-03-29T23:00:00Z")}},
		{flag: PeriodFlag{"2026-03-29T06:00:00+01:00", ""}, want: Period{From: day("2026-03-29T05:00:00Z")}},
		{flag: PeriodFlag{"2026-03-30", "2026-03-29"}, bad: true},
		{flag: PeriodFlag{"yesterday", ""}, bad: true},
	} {
		got, err := test.flag.In(zone)
		if (err != nil) != test.bad || !test.bad && got != test.want {
			t.Errorf("%+v: %+v, %v, want %+v", test.flag, got, err, test.want)
		}
	}
}
