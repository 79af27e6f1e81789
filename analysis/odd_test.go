package analysis_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

var odd = flag.Int("odd", 0, "rule-book dwellings of each odd kind; 0: one of some of them")

// An oddity is a dwelling that package simulate does not draw, with what may be said of it.
type oddity struct {
	name  string
	every bool // runs in the usual test
	held  bool // nothing is wrong with its sensors: the effectiveness is within its u95
	make  func(b *rulebook)
	want  []finding.Code
}

func freeze(c greywatt.Channel, from, to float64) func(float64, *greywatt.Frame) {
	return func(day float64, f *greywatt.Frame) {
		if day >= from && day < to {
			f.Value[c] = math.NaN()
		}
	}
}

func oddities() []oddity {
	ok := []finding.Code{finding.Healthy}
	short := func(_ int, r *rand.Rand) (out []rinse) {
		for range 3 {
			out = append(out, rinse{hour: 6 + 15*r.Float64(), minutes: 1.2 + 1.1*r.Float64(), lMin: 7 + r.NormFloat64()*0.5, headC: 38.5 + r.NormFloat64()*0.6})
		}
		return out
	}
	exchange := func(x, y greywatt.Channel) func(float64, *greywatt.Frame) {
		return func(_ float64, f *greywatt.Frame) { f.Value[x], f.Value[y] = f.Value[y], f.Value[x] }
	}
	changed := func(from int, flow, headK float64) func(int, *rand.Rand) []rinse {
		return func(day int, r *rand.Rand) []rinse {
			us := usual(day, r)
			for i := range us {
				if day >= from {
					us[i].lMin *= flow
					us[i].headC += headK
				}
			}
			return us
		}
	}
	after := func(day, level float64) func(float64) float64 {
		return func(t float64) float64 {
			if t < day {
				return 1
			}
			return level
		}
	}
	return []oddity{
		{name: "plain", every: true, held: true, want: ok},
		{name: "short showers only", held: true, make: func(b *rulebook) { b.showers = short }, want: append(ok, finding.Undecided)},
		{name: "two back to back", held: true, make: func(b *rulebook) {
			b.showers = func(_ int, r *rand.Rand) []rinse {
				h := 7 + 0.4*r.NormFloat64()
				return []rinse{{hour: h, minutes: 6, lMin: 7.5, headC: 38.5}, {hour: h + 0.13, minutes: 5, lMin: 8.5, headC: 39.5}}
			}
		}, want: ok},
		{name: "back to back, steps", held: true, make: func(b *rulebook) {
			b.showers = func(_ int, r *rand.Rand) []rinse {
				h := 7 + 0.4*r.NormFloat64()
				return []rinse{{hour: h, minutes: 4, lMin: 6.2, headC: 37.5}, {hour: h, minutes: 4, lMin: 9.5, headC: 40}}
			}
		}, want: ok},
		{name: "baths too", held: true, make: func(b *rulebook) {
			b.showers = func(day int, r *rand.Rand) []rinse {
				out := usual(day, r)
				if day%3 == 0 {
					out = append(out, rinse{hour: 20.6, minutes: 12, lMin: 11, headC: 40, bathMin: 35})
				}
				return out
			}
		}, want: ok},
		{name: "every 10 s", held: true, make: func(b *rulebook) { b.intervalS = 10 }, want: ok},
		{name: "every 5 s", held: true, make: func(b *rulebook) { b.intervalS = 5 }, want: ok},
		{name: "no waste-out", make: func(b *rulebook) { b.readings = freeze(greywatt.WasteOut, 0, 1e9) }, want: []finding.Code{finding.SensorDead, finding.Healthy, finding.Undecided}},
		{name: "no preheat-out", make: func(b *rulebook) { b.readings = freeze(greywatt.PreheatOut, 0, 1e9) }, want: []finding.Code{finding.SensorDead, finding.Undecided}},
		{name: "waste-out lost on day 30", make: func(b *rulebook) { b.readings = freeze(greywatt.WasteOut, 30, 1e9) }, want: []finding.Code{finding.SensorDead}},
		{name: "warm room", held: true, make: func(b *rulebook) { b.roomC = 27 }, want: ok},
		{name: "clamps of 0.5 K", held: true, make: func(b *rulebook) {
			b.u95K = 0.5
			for p := range b.offsetK {
				b.offsetK[p] *= 0.5 / 0.16
			}
		}, want: append(ok, finding.Undecided)},
		{name: "steps of 0.5 K", every: true, held: true, make: func(b *rulebook) { b.quantumK = 0.5 }, want: ok},
		{name: "steps of 0.5 K, no noise", held: true, make: func(b *rulebook) { b.quantumK, b.noiseK = 0.5, 0 }, want: ok},
		{name: "warm mains", held: true, make: func(b *rulebook) { b.mainsC = func(float64) float64 { return 24 } }, want: ok},
		{name: "one person, rare", held: true, make: func(b *rulebook) {
			b.showers = func(day int, r *rand.Rand) []rinse {
				if day%4 != 0 {
					return nil
				}
				return usual(day, r)[:1]
			}
		}, want: append(ok, finding.Undecided)},
		{name: "two people, 5 and 11 l/min", held: true, make: func(b *rulebook) {
			b.showers = func(day int, r *rand.Rand) []rinse {
				us := usual(day, r)
				us[0].lMin, us[1].lMin = 5+0.2*r.NormFloat64(), 11+0.4*r.NormFloat64()
				return us
			}
		}, want: ok},
		{name: "habit changes on day 22", make: func(b *rulebook) { b.showers = changed(22, 0.7, -1.5) }, want: ok},
		{name: "another shower head on day 22", make: func(b *rulebook) { b.showers = changed(22, 0.65, 0) }, want: ok},
		{name: "a larger shower head on day 22", make: func(b *rulebook) { b.showers = changed(22, 1.35, 0) }, want: ok},
		{name: "hotter from day 22 on", make: func(b *rulebook) { b.showers = changed(22, 1, 2) }, want: ok},
		{name: "another shower head, and dirt", make: func(b *rulebook) {
			b.showers = changed(22, 0.65, 0)
			b.factor = func(day float64) float64 { return 1 - 0.3*max(0, day-8)/37 }
		}, want: []finding.Code{finding.Fouling}},
		{name: "a larger shower head, and dirt", make: func(b *rulebook) {
			b.showers = changed(22, 1.35, -1)
			b.factor = func(day float64) float64 { return 1 - 0.3*max(0, day-8)/37 }
		}, want: []finding.Code{finding.Fouling}},
		{name: "another shower head, then a step of 25 %", make: func(b *rulebook) {
			b.showers = changed(15, 0.65, 1)
			b.factor = after(30, 0.75)
		}, want: []finding.Code{finding.StepLoss}},
		{name: "cooling mains", held: true, make: func(b *rulebook) {
			b.lawOff = 0
			b.mainsC = func(day float64) float64 { return 16 - 0.2*day }
		}, want: append(ok, finding.Undecided)},
		{name: "warming mains", held: true, make: func(b *rulebook) {
			b.lawOff = 0
			b.mainsC = func(day float64) float64 { return 6 + 0.2*day }
		}, want: append(ok, finding.Undecided)},
		{name: "overlapping taps", held: true, make: func(b *rulebook) {
			b.showers = func(day int, r *rand.Rand) []rinse {
				us := usual(day, r)
				if b.connection != greywatt.ConnectionB {
					us[1].tapMin, us[1].tapLMin = 3, 3
				}
				return us
			}
		}, want: ok},
		{name: "drain meter", held: true, make: func(b *rulebook) { b.wasteMeter = true }, want: ok},
		{name: "step of 25 %", make: func(b *rulebook) { b.factor = after(25, 0.75) }, want: []finding.Code{finding.StepLoss}},
		{name: "step of 12 %", make: func(b *rulebook) { b.factor = after(25, 0.88) }, want: []finding.Code{finding.StepLoss, finding.Undecided}},
		{name: "dirt, 30 %", make: func(b *rulebook) { b.factor = func(day float64) float64 { return 1 - 0.3*max(0, day-8)/37 } }, want: []finding.Code{finding.Fouling}},
		{name: "dirt, then cleaned untold", make: func(b *rulebook) {
			b.factor = func(day float64) float64 {
				if day > 32 {
					return 1
				}
				return 1 - 0.3*max(0, day-4)/28
			}
		}, want: []finding.Code{finding.Fouling}},
		{name: "dirt, cleaned twice", make: func(b *rulebook) {
			b.days = 120
			b.factor = func(day float64) float64 { return 1 - 0.25*math.Mod(day, 40)/40 }
			b.declared = func(d *greywatt.Dwelling) {
				d.Cleaned = []greywatt.Date{{Year: 2026, Month: 2, Day: 21}, {Year: 2026, Month: 4, Day: 2}}
			}
		}, want: []finding.Code{finding.Fouling}},
		{name: "dirt, cleaned twice untold", make: func(b *rulebook) {
			b.days = 120
			b.factor = func(day float64) float64 { return 1 - 0.25*math.Mod(day, 40)/40 }
		}, want: []finding.Code{finding.Fouling, finding.Undecided}},
		{name: "a third goes round at times", make: func(b *rulebook) {
			b.around = func(r *rand.Rand) float64 {
				if r.Float64() < 0.3 {
					return 0.7
				}
				return 0
			}
		}, want: []finding.Code{finding.BypassAtTimes}},
		{name: "an eighth goes through the unit", every: true, make: func(b *rulebook) { b.around = func(*rand.Rand) float64 { return 0.875 } }, want: []finding.Code{finding.NoRecovery, finding.Undecided}},
		{name: "a quarter goes through the unit", make: func(b *rulebook) { b.around = func(*rand.Rand) float64 { return 0.75 } }, want: []finding.Code{finding.NoRecovery, finding.LowFromStart, finding.Undecided}},
		{name: "an eighth goes through unit and meter", make: func(b *rulebook) { b.past = 0.875 }, want: []finding.Code{finding.NoRecovery, finding.Undecided}},
		{name: "half goes through unit and meter", make: func(b *rulebook) { b.past = 0.5 }, want: []finding.Code{finding.NoRecovery, finding.Undecided}},
		{name: "parallel flow", make: func(b *rulebook) { b.parallel = true }, want: []finding.Code{finding.ParallelFlow, finding.Undecided}},
		{name: "parallel flow, strong unit", make: func(b *rulebook) { b.rated, b.parallel = 0.6, true }, want: []finding.Code{finding.ParallelFlow, finding.Undecided}},
		{name: "parallel flow, weak unit", make: func(b *rulebook) { b.rated, b.parallel = 0.36, true }, want: append(ok, finding.ParallelFlow, finding.Undecided)},
		{name: "weak by 25 %", make: func(b *rulebook) { b.factor = after(0, 0.75) }, want: []finding.Code{finding.LowFromStart}},
		{name: "supply swapped", every: true, make: func(b *rulebook) { b.readings = exchange(greywatt.ColdIn, greywatt.PreheatOut) }, want: []finding.Code{finding.SupplySensorsSwapped}},
		{name: "supply swapped, strong unit", every: true, make: func(b *rulebook) {
			b.rated = 0.62
			b.readings = exchange(greywatt.ColdIn, greywatt.PreheatOut)
		}, want: []finding.Code{finding.SupplySensorsSwapped}},
		{name: "waste swapped", make: func(b *rulebook) { b.readings = exchange(greywatt.WasteIn, greywatt.WasteOut) }, want: []finding.Code{finding.WasteSensorsSwapped}},
		{name: "preheat and waste-in swapped", make: func(b *rulebook) { b.readings = exchange(greywatt.PreheatOut, greywatt.WasteIn) }, want: []finding.Code{finding.Undecided}},
		{name: "cold-in and waste-out swapped", make: func(b *rulebook) { b.readings = exchange(greywatt.ColdIn, greywatt.WasteOut) }, want: []finding.Code{finding.Undecided}},
		{name: "cold-in and waste-in swapped", make: func(b *rulebook) { b.readings = exchange(greywatt.ColdIn, greywatt.WasteIn) }, want: []finding.Code{finding.Undecided}},
		{name: "preheat and waste-out swapped", every: true, make: func(b *rulebook) { b.readings = exchange(greywatt.PreheatOut, greywatt.WasteOut) }, want: []finding.Code{finding.Undecided}},
		{name: "preheat clamp 0.6 shown from day 20", make: func(b *rulebook) {
			b.readings = func(day float64, f *greywatt.Frame) {
				if day >= 20 {
					f.Value[greywatt.PreheatOut] = 0.6*f.Value[greywatt.PreheatOut] + 0.4*f.Value[greywatt.Ambient]
				}
			}
		}, want: []finding.Code{finding.SensorLoose}},
		{name: "waste-in drifts 1.2 K", make: func(b *rulebook) {
			b.readings = func(day float64, f *greywatt.Frame) { f.Value[greywatt.WasteIn] += 1.2 * day / 45 }
		}, want: []finding.Code{finding.SensorDrifting, finding.Undecided}},
		{name: "cold-in drifts 1.2 K", make: func(b *rulebook) {
			b.readings = func(day float64, f *greywatt.Frame) { f.Value[greywatt.ColdIn] += 1.2 * day / 45 }
		}, want: []finding.Code{finding.SensorDrifting, finding.Undecided}},
		{name: "meter drifts 15 %", make: func(b *rulebook) {
			b.readings = func(day float64, f *greywatt.Frame) { f.Value[greywatt.Flow] *= 1 - 0.15*day/45 }
		}, want: []finding.Code{finding.SensorDrifting, finding.Undecided}},
		{name: "meter reads 0.7", make: func(b *rulebook) {
			b.readings = func(day float64, f *greywatt.Frame) { f.Value[greywatt.Flow] *= 0.7 }
		}, want: []finding.Code{finding.FlowOffScale, finding.Undecided}},
	}
}

// TestOddities runs them: no wrong finding with a confidence of 0.9 and more, the
// effectiveness within its u95 where the sensors are as declared, and for whatever is open something that
// would decide it. What is true of a dwelling is what the published rules make of it.
func TestOddities(t *testing.T) {
	seeds := max(1, *odd)
	wrong, sure, n := 0, 0, 0
	var all, in int
	for _, o := range oddities() {
		if *odd == 0 && !o.every || !strings.Contains(o.name, *scenarioOnly) {
			continue
		}
		for seed := range uint64(seeds) {
			for _, c := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC} {
				b := newRulebook(c, *first+seed)
				if o.make != nil {
					o.make(&b)
				}
				events, d, truth := b.diagnose()
				showers, measured, covered, kinds := 0, 0, 0, map[event.Kind]int{}
				var off []float64
				for i := range events {
					e := &events[i]
					kinds[e.Kind]++
					if e.Kind != event.Shower {
						continue
					}
					showers++
					for at, v := range truth {
						if math.Abs(at.Sub(e.Start)) < 20 && !math.IsNaN(e.EffectivenessU95) {
							measured++
							off = append(off, e.Effectiveness-v)
							if math.Abs(e.Effectiveness-v) <= e.EffectivenessU95 {
								covered++
							}
						}
					}
				}
				n++
				f := d.Findings[0]
				if o.held {
					all += measured
					in += covered
				}
				mark := "  "
				if !slices.Contains(o.want, f.Code) {
					mark = "? "
					wrong++
					if f.Confidence >= 0.9 && f.Code != finding.Undecided {
						mark = "??"
						sure++
					}
				}
				slices.Sort(off)
				mid := math.NaN()
				if len(off) > 0 {
					mid = off[len(off)/2]
				}
				t.Logf("%s %-34s %s #%d: %s %s %.2f; events %v of %d, measured %d, covered %.2f, off %+.4f: %s", mark, o.name, c, *first+seed, f.Code, f.Channel, f.Confidence, kinds, len(truth), measured, float64(covered)/float64(measured), mid, f.Evidence)
				for _, g := range d.Findings {
					if g.Decide == "" && (g.Confidence < 0.9 || g.Code == finding.Undecided) {
						t.Errorf("%s %s #%d: %s has nothing that would decide it", o.name, c, *first+seed, g.Code)
					}
				}
			}
		}
	}
	t.Logf("%d dwellings, %d not as wanted, of these %d said with 0.9 and more; effectiveness covered in %.3f of %d", n, wrong, sure, float64(in)/float64(all), all)
	if share := float64(in) / float64(all); all > 0 && share < 0.90 {
		t.Errorf("effectiveness of dwellings whose sensors are as declared is covered in %.3f, want 0.90", share)
	}
	if sure > 0 {
		t.Errorf("%d of %d wrong with a confidence of 0.9 and more", sure, n)
	}
}
