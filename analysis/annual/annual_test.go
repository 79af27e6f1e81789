package annual_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/annual"
	"greywatt/analysis/simulate"
)

var start = greywatt.InstantOf(time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC))

func days(n float64) greywatt.Instant { return start.Add(n * 86400) }

func always(from, to greywatt.Instant) float64 { return 1 }

// even has a shower at noon of each day, of heat proportional to the span.
func even(season annual.Season, from, to int) []annual.Shower {
	var out []annual.Shower
	for d := from; d < to; d++ {
		c := season.At(float64(days(float64(d)).Time().YearDay()))
		out = append(out, annual.Shower{At: days(float64(d) + 0.5), HeatKWh: 0.02 * (37 - c), ColdInC: c, WasteInC: 37})
	}
	return out
}

// By hand: over a year the wave averages out, so that a year is 365.25 showers of
// 0.02 · (37 - mean).
func TestYear(t *testing.T) {
	season := annual.Season{MeanC: 12, CosC: -5, SinC: 1}
	const want = 365.25 * 0.02 * (37 - 12)
	for name, r := range map[string]annual.Record{
		"all of it":        {From: days(0), To: days(365), Showers: even(season, 0, 365), Covered: always},
		"a winter":         {From: days(0), To: days(90), Showers: even(season, 0, 90), Covered: always},
		"a summer":         {From: days(150), To: days(270), Showers: even(season, 150, 270), Covered: always},
		"a half is absent": {From: days(0), To: days(200), Showers: even(season, 100, 200), Covered: func(from, _ greywatt.Instant) float64 { return map[bool]float64{true: 1}[from >= days(100)] }},
	} {
		r.Zone = time.UTC
		y, err := annual.Of(&r)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if !(math.Abs(y.HeatKWh-want) <= 2*y.U()+0.01*want) || math.Abs(y.Showers-365.25) > 0.1 {
			t.Errorf("%s: %.1f ± %.1f kWh in %.1f showers, by hand %.1f", name, y.HeatKWh, 2*y.U(), y.Showers, want)
		}
		if name == "all of it" && (y.U() > 0.005*want || math.Abs(y.Season.MeanC-12) > 0.05 || math.Abs(y.Season.CosC+5) > 0.3) {
			t.Errorf("%s: ± %.2f kWh, season %+v", name, 2*y.U(), y.Season)
		}
		if name != "all of it" && (y.U() < 0.005*want || y.U() > 0.1*want) {
			t.Errorf("%s: a standard uncertainty of %.2f kWh", name, y.U())
		}
	}
}

// Showers whose heat does not count are taken to be like the others.
func TestLostShowers(t *testing.T) {
	all := even(annual.Season{MeanC: 12}, 0, 365)
	for i := range all {
		if i%4 == 0 {
			all[i].HeatKWh = math.NaN()
		}
	}
	y, err := annual.Of(&annual.Record{From: days(0), To: days(365), Zone: time.UTC, Showers: all, Covered: always})
	if err != nil {
		t.Fatal(err)
	}
	if want := 365.25 * 0.02 * 25.0; math.Abs(y.HeatKWh-want) > 0.01*want || y.Lost != 92 || y.Losses < 0.1*want || y.Losses > 0.2*want {
		t.Errorf("%.1f kWh, want %.1f; %d lost, ± %.1f", y.HeatKWh, want, y.Lost, y.Losses)
	}
}

func TestTooShort(t *testing.T) {
	for _, r := range []annual.Record{
		{From: days(0), To: days(10), Showers: even(annual.Season{MeanC: 12}, 0, 10), Covered: always},
		{From: days(0), To: days(100), Covered: always},
		{Covered: always},
	} {
		r.Zone = time.UTC
		if y, err := annual.Of(&r); !errors.Is(err, annual.ErrTooShort) {
			t.Errorf("%+v, %v", y, err)
		}
	}
}

// South of the equator the mains is warm in January: where the clocks of the zone
// tell, two months there are not taken for a winter.
func TestSouth(t *testing.T) {
	zone, err := time.LoadLocation("Australia/Hobart")
	if err != nil {
		t.Fatal(err)
	}
	season := annual.Season{MeanC: 12, CosC: 5.8}
	y, err := annual.Of(&annual.Record{From: days(0), To: days(60), Zone: zone, Showers: even(season, 0, 60), Covered: always})
	if want := 365.25 * 0.02 * 25.0; err != nil || math.Abs(y.HeatKWh-want) > 0.03*want {
		t.Errorf("%.1f kWh, want %.1f, %v", y.HeatKWh, want, err)
	}
}

// Simulated years of dwellings in A, B and C: what four months of each season give
// holds the year's true heat within its uncertainty.
func TestYearOfSimulatedDwellings(t *testing.T) {
	within, of := 0, 0
	var worst float64
	for i, house := range simulate.Trial(7, 3, 365, 1, time.UTC).Houses {
		house.Faults = nil // a household and a unit that go on as they did
		truth := house.Run(simulate.Output{})
		var all []annual.Shower
		var heat float64
		for _, e := range truth.Events {
			if e.Kind == simulate.Shower {
				all = append(all, annual.Shower{At: e.Start, HeatKWh: e.HeatKWh, ColdInC: e.Port[greywatt.ColdIn], WasteInC: e.Port[greywatt.WasteIn]})
				heat += e.HeatKWh
			}
		}
		for from := 0; from < 365; from += 120 {
			r := annual.Record{From: days(float64(from)), To: days(float64(from + 120)), Zone: time.UTC, Covered: always}
			for _, s := range all {
				if s.At >= r.From && s.At < r.To {
					r.Showers = append(r.Showers, s)
				}
			}
			if from+120 > 365 {
				continue
			}
			y, err := annual.Of(&r)
			if err != nil {
				t.Fatal(err)
			}
			of++
			off := y.HeatKWh/heat - 1
			worst = max(worst, math.Abs(off))
			if math.Abs(y.HeatKWh-heat) <= 2*y.U() {
				within++
			}
			t.Logf("dwelling %d from day %d: %.0f ± %.0f kWh, truth %.0f (%+.1f %%)", i, from, y.HeatKWh, 2*y.U(), heat, 100*off)
		}
	}
	if within < of*8/10 || worst > 0.2 {
		t.Errorf("%d of %d within u95, the worst %.0f %% off", within, of, 100*worst)
	}
}
