package civil

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"greywatt"
)

func read(t *testing.T, format, zone, text string) (greywatt.Instant, error) {
	t.Helper()
	f, err := ParseFormat(format)
	if err != nil {
		t.Fatal(err)
	}
	return NewReader(f, load(t, zone), false).Read([]byte(text), new(Track))
}

func load(t *testing.T, zone string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// The same moment, 2026-01-12T06:30:00.25Z, in every form; worked out by hand.
func TestForms(t *testing.T) {
	for _, tt := range []struct{ format, zone, text string }{
		{"rfc3339", "UTC", "2026-01-12T06:30:00.25Z"},
		{"rfc3339", "UTC", "2026-01-12 07:30:00.25+01:00"},
		{"unix-s", "UTC", "1768199400.25"},
		{"unix-ms", "UTC", "1768199400250"},
		{"unix-us", "UTC", "1768199400250000"},
		{"unix-ns", "UTC", "1768199400250000000"},
		{"excel", "UTC", "46034.270836226854"}, // 20465.270836226854 days after 1970-01-01, and 25569
		{"YYYY-MM-DD hh:mm:ss.fff", "UTC", "2026-01-12 06:30:00.250"},
		{"DD.MM.YYYY hh:mm:ss,fff", "Europe/Berlin", "12.01.2026 07:30:00,25"},
		{"D.M.YY h:mm:ss.fff", "Europe/Dublin", "12.1.26 6:30:00.25"},
		{"MM/DD/YYYY hh:mm:ss.fff AM", "America/New_York", "01/12/2026 01:30:00.25 am"},
		{"M/D/YYYY h:mm:ss.fff AM", "Pacific/Auckland", "1/12/2026 7:30:00.25 PM"},
		{"DD MON YYYY hh:mm:ss.fff", "Asia/Kathmandu", "12 JAN 2026 12:15:00.25"},
		{"YYYYMMDDThhmmss.fffZZZ", "UTC", "20260112T013000.25-0500"},
		{"YYYY-MM-DDThh:mm:ss.fffZZZ", "UTC", "2026-01-12T06:30:00.25Z"},
	} {
		at, err := read(t, tt.format, tt.zone, tt.text)
		if err != nil || at != 1768199400250000 {
			t.Errorf("%s in %s, %q: %v, %v", tt.format, tt.zone, tt.text, at, err)
		}
	}
}

func TestWrongTimes(t *testing.T) {
	for _, tt := range []struct{ format, text, why string }{
		{"YYYY-MM-DD hh:mm", "2026-02-29 06:30", "no such day"},
		{"YYYY-MM-DD hh:mm", "2026-13-01 06:30", "no such day"},
		{"YYYY-MM-DD hh:mm", "2026-01-01 24:00", "no such time of day"},
		{"YYYY-MM-DD hh:mm", "2026-01-01 06:30:00", "does not have the form"},
		{"YYYY-MM-DD hh:mm", "", "does not have the form"},
		{"YYYY-MM-DD hh:mm AM", "2026-01-01 13:30 PM", "AM and PM"},
		{"rfc3339", "2026-01-01 06:30:00", "RFC 3339"},
		{"unix-s", "today", "not a number"},
		{"unix-s", "1e300", "no time"},
		{"unix-s", "NaN", "not a number"},
		{"excel", "12", "day number"},
	} {
		if at, err := read(t, tt.format, "UTC", tt.text); err == nil || !strings.Contains(err.Error(), tt.why) {
			t.Errorf("%s %q: %v, %v; want %q", tt.format, tt.text, at, err, tt.why)
		}
	}
	for _, format := range []string{"", "YYYY-MM-DD", "YYYY-YYYY-MM-DD hh:mm", "seconds"} {
		if _, err := ParseFormat(format); err == nil {
			t.Errorf("format %q passes", format)
		}
	}
}

// Transitions by law: the European Union's summer time ends on the last Sunday
// of October at 01:00 UTC (Directive 2000/84/EC); in the United States daylight
// time ends on the first Sunday of November at 02:00 (Energy Policy Act 2005).
// Lord Howe Island moves by half an hour (IANA time zone database).
func TestRepeatedHour(t *testing.T) {
	for _, tt := range []struct {
		zone  string
		texts []string
		want  []string // UTC
	}{
		{"Europe/Dublin",
			[]string{"2026-10-25 00:50", "2026-10-25 01:10", "2026-10-25 01:50", "2026-10-25 01:10", "2026-10-25 01:50", "2026-10-25 02:10"},
			[]string{"2026-10-24 23:50", "2026-10-25 00:10", "2026-10-25 00:50", "2026-10-25 01:10", "2026-10-25 01:50", "2026-10-25 02:10"}},
		{"America/New_York",
			[]string{"2026-11-01 01:30", "2026-11-01 01:59", "2026-11-01 01:00", "2026-11-01 01:59", "2026-11-01 02:00"},
			[]string{"2026-11-01 05:30", "2026-11-01 05:59", "2026-11-01 06:00", "2026-11-01 06:59", "2026-11-01 07:00"}},
		{"Australia/Lord_Howe",
			[]string{"2026-04-05 01:29", "2026-04-05 01:45", "2026-04-05 01:31", "2026-04-05 02:00"},
			[]string{"2026-04-04 14:29", "2026-04-04 14:45", "2026-04-04 15:01", "2026-04-04 15:30"}},
	} {
		f, _ := ParseFormat("YYYY-MM-DD hh:mm")
		for _, newestFirst := range []bool{false, true} {
			r, track := NewReader(f, load(t, tt.zone), newestFirst), new(Track)
			for i := range tt.texts {
				if newestFirst {
					i = len(tt.texts) - 1 - i
				}
				at, err := r.Read([]byte(tt.texts[i]), track)
				if got := at.Time().Format("2006-01-02 15:04"); err != nil || got != tt.want[i] {
					t.Errorf("%s %s, newest first %v: %s, %v; want %s", tt.zone, tt.texts[i], newestFirst, got, err, tt.want[i])
				}
			}
		}
	}
}

func TestImpossibleHour(t *testing.T) {
	for zone, text := range map[string]string{
		"Europe/Berlin": "2026-03-29 02:30", "America/New_York": "2026-03-08 02:30", "Australia/Lord_Howe": "2026-10-04 02:15",
	} {
		at, err := read(t, "YYYY-MM-DD hh:mm", zone, text)
		if err == nil || !strings.Contains(err.Error(), "does not exist") {
			t.Errorf("%s %s: %v, %v", zone, text, at, err)
		}
	}
}

// The standard library is the second reader: every time that it writes comes
// back, through two years of every hour in zones of all kinds.
func TestAgainstTime(t *testing.T) {
	const pattern, layout = "YYYY-MM-DD hh:mm:ss", "2006-01-02 15:04:05"
	f, _ := ParseFormat(pattern)
	for _, zone := range []string{"UTC", "Europe/Dublin", "America/St_Johns", "Australia/Lord_Howe", "Africa/Casablanca", "Asia/Kathmandu", "Pacific/Apia"} {
		loc := load(t, zone)
		r, track := NewReader(f, loc, false), new(Track)
		for at := time.Date(2025, 1, 1, 0, 7, 13, 0, time.UTC); at.Year() < 2027; at = at.Add(23 * time.Minute) {
			text := at.In(loc).Format(layout)
			if got, err := r.Read([]byte(text), track); err != nil || got != greywatt.InstantOf(at) {
				t.Fatalf("%s: %s became %v, %v; want %v", zone, text, got, err, at)
			}
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add("YYYY-MM-DD hh:mm:ss.fff", "2026-01-12 06:30:00.25")
	f.Add("D.M.YY h:mm AM", "12.1.26 6:30 pm")
	f.Add("YYYYMMDDhhmmZZZ", "202601120630+0100")
	f.Add("rfc3339", "2026-01-12T06:30:00Z")
	f.Add("excel", "46034.5")
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, pattern, text string) {
		format, err := ParseFormat(pattern)
		if err != nil {
			return
		}
		at, err := NewReader(format, dublin, false).Read([]byte(text), new(Track))
		if err != nil {
			return
		}
		again, err := NewReader(format, dublin, false).Read([]byte(text), new(Track))
		if err != nil || again != at {
			t.Errorf("%q %q: %v, then %v (%v)", pattern, text, at, again, err)
		}
	})
}

func BenchmarkLocal(b *testing.B) {
	f, _ := ParseFormat("DD.MM.YYYY hh:mm:ss")
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		b.Fatal(err)
	}
	r, track, text := NewReader(f, zone, false), new(Track), []byte("12.01.2026 07:30:00")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := r.Read(text, track); err != nil {
			b.Fatal(err)
		}
	}
}
