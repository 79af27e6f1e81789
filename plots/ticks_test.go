package plots

import (
	"slices"
	"testing"
	"time"

	"greywatt"
)

func labels(ts []tick) []string {
	var out []string
	for _, t := range ts {
		out = append(out, t.label)
	}
	return out
}

func at(t *testing.T, zone, local string) (greywatt.Instant, *time.Location) {
	t.Helper()
	loc, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	when, err := time.ParseInLocation("2006-01-02 15:04:05", local, loc)
	if err != nil {
		t.Fatal(err)
	}
	return greywatt.InstantOf(when), loc
}

func TestClockTicks(t *testing.T) {
	for _, c := range []struct {
		zone, from string
		seconds    float64
		most       int
		want       []string
	}{
		{"Europe/Dublin", "2026-07-14 07:11:31", 600, 12, []string{"07:12", "07:13", "07:14", "07:15", "07:16", "07:17", "07:18", "07:19", "07:20", "07:21"}},
		{"Europe/Dublin", "2026-07-14 07:11:31", 600, 6, []string{"07:12", "07:14", "07:16", "07:18", "07:20"}},
		{"Europe/Dublin", "2026-07-14 07:11:31", 600, 3, []string{"07:15", "07:20"}},
		{"Europe/Dublin", "2026-07-14 07:11:48", 130, 5, []string{"07:12:00", "07:12:30", "07:13:00", "07:13:30"}},
		{"Europe/Dublin", "2026-07-14 07:12:00", 60, 3, []string{"07:12:00", "07:12:30", "07:13:00"}}, // both ends
		// Offsets of half and three quarters of an hour: ticks on the local clock.
		{"Asia/Kolkata", "2026-07-14 07:12:00", 7200, 5, []string{"07:30", "08:00", "08:30", "09:00"}},
		{"Asia/Kathmandu", "2026-07-14 07:12:00", 14400, 5, []string{"08:00", "09:00", "10:00", "11:00"}},
		// Clocks go back at 02:00 summer time: 01:00 to 02:00 comes twice.
		{"Europe/Dublin", "2026-10-25 00:40:00", 7200, 6, []string{"01:00", "01:30", "01:00", "01:30"}},
		// Clocks go forward at 01:00: there is no 01:30.
		{"Europe/Dublin", "2026-03-29 00:10:00", 3600, 4, []string{"00:30", "02:00"}},
		{"UTC", "2026-07-14 23:50:00", 1500, 4, []string{"23:50", "00:00", "00:10"}},
	} {
		from, loc := at(t, c.zone, c.from)
		ts := clockTicks(from, from.Add(c.seconds), loc, c.most)
		if !slices.Equal(labels(ts), c.want) {
			t.Errorf("%s, %s and %g s, at most %d: %v, want %v", c.zone, c.from, c.seconds, c.most, labels(ts), c.want)
		}
		for _, k := range ts {
			if got := from.Add(k.at).Time().In(loc).Format("15:04:05"); got[:len(k.label)] != k.label {
				t.Errorf("%s: tick %s stands at %s", c.zone, k.label, got)
			}
		}
	}
}

// Nodes report fractions of a second.
func TestClockTicksFromAFraction(t *testing.T) {
	whole, loc := at(t, "Europe/Dublin", "2026-07-14 07:12:00")
	for _, c := range []struct {
		from float64
		want []string
	}{
		{-0.6, []string{"07:12:00", "07:12:30", "07:13:00"}},
		{0.4, []string{"07:12:30", "07:13:00"}}, // the tick at 0 s is past
	} {
		from := whole.Add(c.from)
		ts := clockTicks(from, whole.Add(62), loc, 3)
		if !slices.Equal(labels(ts), c.want) {
			t.Fatalf("from %+.1f s: %v, want %v", c.from, labels(ts), c.want)
		}
		last := ts[len(ts)-1]
		if got := last.at + c.from; got < 59.999 || got > 60.001 {
			t.Errorf("from %+.1f s: %s stands at %g s", c.from, last.label, got)
		}
	}
}

func TestDateTicks(t *testing.T) {
	for _, c := range []struct {
		from, to string
		most     int
		want     []string
	}{
		{"2026-03-02", "2026-03-06", 6, []string{"2 Mar", "3 Mar", "4 Mar", "5 Mar", "6 Mar"}},
		// Weeks start on Mondays: 2 March 2026 is one. The 29th has 23 hours.
		{"2026-03-04", "2026-04-10", 6, []string{"9 Mar", "16 Mar", "23 Mar", "30 Mar", "6 Apr"}},
		{"2026-03-02", "2026-06-30", 5, []string{"Apr 2026", "May", "Jun"}},
		{"2025-11-20", "2026-04-30", 6, []string{"Dec 2025", "Jan 2026", "Feb", "Mar", "Apr"}},
		{"2025-11-20", "2027-01-30", 3, []string{"Jan 2026", "Jul", "Jan 2027"}},
		{"2019-11-20", "2027-01-30", 4, []string{"2020", "2022", "2024", "2026"}},
	} {
		from, loc := at(t, "Europe/Dublin", c.from+" 00:00:00")
		to, _ := at(t, "Europe/Dublin", c.to+" 12:00:00")
		ts := dateTicks(from, to, loc, c.most)
		if !slices.Equal(labels(ts), c.want) {
			t.Errorf("%s to %s, at most %d: %v, want %v", c.from, c.to, c.most, labels(ts), c.want)
		}
		for _, k := range ts {
			if h, m, s := from.Add(k.at).Time().In(loc).Clock(); h != 0 || m != 0 || s != 0 {
				t.Errorf("%s to %s: tick %s at %02d:%02d, want midnight", c.from, c.to, k.label, h, m)
			}
		}
	}
}

func TestNumberTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		want   int
		labels []string
	}{
		{9.6, 38.2, 6, []string{"10", "15", "20", "25", "30", "35"}},
		{0, 10, 2, []string{"0", "5", "10"}},
		{0.66, 1.14, 5, []string{"0.7", "0.8", "0.9", "1.0", "1.1"}},
		{-0.2, 0.2, 4, []string{"−0.2", "−0.1", "0.0", "0.1", "0.2"}},
		{-12, 8, 4, []string{"−10", "−5", "0", "5"}},
		{3.9, 8.6, 1, []string{"4", "6", "8"}},
		{5.1, 5.9, 1, []string{"5.2", "5.4", "5.6", "5.8"}},
	} {
		if got := labels(numberTicks(c.lo, c.hi, c.want)); !slices.Equal(got, c.labels) {
			t.Errorf("%g to %g: %v, want %v", c.lo, c.hi, got, c.labels)
		}
	}
}
