package simulate

import (
	"math"
	"math/rand/v2"

	"greywatt"
)

// correlated is the unit of [cells] with film and tube coefficients from
// correlations, in each cell at the temperatures of the water in it. The
// shares of the resistance at 9.5 l/min and rated stream means fix the areas;
// all else follows from the correlations.
type correlated struct {
	cells
	areas   coefficients
	film    []float64 // °C of the film leaving each cell
	toWall  []float64 // W/K from the film entering a cell to its wall
	toMains []float64 // W/K from wall to water
	age     float64   // s since the coefficients were worked out
	at      Feed      // for which they were
	state   Condition
}

// coefficients scales the correlations of a unit so that they give its
// resistances at 9.5 l/min and rated stream means.
type coefficients struct {
	p              *Physics
	filmM2, coilM2 float64 // effective areas
	wallR          float64 // K/W, whole
}

func newCoefficients(p *Physics) coefficients {
	const kgS = ratedFlowLMin / 60
	g := &p.Geometry
	return coefficients{
		p:      p,
		filmM2: p.UAWK / p.FilmShare / g.film(kgS, ratedFilmC),
		coilM2: p.UAWK / (1 - p.FilmShare - p.WallShare) / g.coil(kgS, ratedMainsC),
		wallR:  p.WallShare / p.UAWK,
	}
}

// halves returns W/K of the whole unit, film to wall (with fouling) and wall to
// mains water, if all of it were at these temperatures.
func (k *coefficients) halves(f Feed, mainsC, filmC float64, c Condition) (film, mains float64) {
	g := &k.p.Geometry
	// The floors stand for natural convection and keep the powers finite.
	filmR := 1 / (k.filmM2 * g.film(max(f.WasteKgS, 0.05/60), filmC))
	coilR := 1 / (k.coilM2 * g.coil(max(f.MainsKgS, 0.3/60), mainsC))
	return c.factor() / (filmR + k.wallR/2 + c.Fouling/k.p.UAWK), c.factor() / (coilR + k.wallR/2)
}

func newCorrelated(p *Physics, roomC float64) *correlated {
	u := &correlated{cells: *newCells(p, roomC), areas: newCoefficients(p), age: math.Inf(1)}
	n := len(u.wall)
	u.film, u.toWall, u.toMains = make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range u.film {
		u.film[i] = roomC
	}
	return u
}

// Coefficients are worked out again after renewS seconds, or when a flow has
// moved by renewFlow of itself.
const (
	renewS    = 2.0
	renewFlow = 0.01
)

func (u *correlated) renew(dt float64, f Feed, c Condition) {
	u.age += dt
	moved := func(now, then float64) bool { return math.Abs(now-then) > renewFlow*then }
	if u.age < renewS && c == u.state && !moved(f.MainsKgS, u.at.MainsKgS) && !moved(f.WasteKgS, u.at.WasteKgS) {
		return
	}
	u.age, u.at, u.state = 0, f, c
	k := 1 / float64(len(u.wall))
	entering := f.WasteC
	capacity := f.WasteKgS * specificHeat(f.WasteC)
	for i := range u.wall {
		film, mains := u.areas.halves(f, u.coil[i], (entering+u.film[i])/2, c)
		u.toMains[i], u.toWall[i] = mains*k, 0
		if capacity > 0 {
			u.toWall[i] = capacity * -math.Expm1(-film*k/capacity)
		}
		entering = u.film[i]
	}
}

// step advances the unit by dt seconds of constant feed.
func (u *correlated) step(dt float64, f Feed, c Condition) Outlets {
	inside := f
	inside.MainsKgS *= 1 - c.Bypass
	u.renew(dt, inside, c)
	n := float64(len(u.wall))
	s := slice{keep: 1, plugKg: u.p.CoilL / n, wallJK: u.p.WallJK / n}
	s.plugJK = s.plugKg * specificHeat((f.ColdC+u.preheat)/2)
	s.rest = (s.wallJK + s.plugJK) / (60 * u.p.RestMin)
	if f.WasteKgS > 0 {
		s.filmC = f.WasteKgS * specificHeat((f.WasteC+u.wasteOut)/2)
		s.keep = math.Exp(-u.p.lossConductance() / n / s.filmC)
	}
	return u.advance(dt, inside.MainsKgS, s.plugKg, f, c, func(dt float64) { u.exchange(dt, f, s) })
}

// exchange is that of [cells], with each cell's own gains.
func (u *correlated) exchange(dt float64, f Feed, s slice) {
	stored := s.wallJK / dt
	filmT, lost, gain := f.WasteC, 0.0, 0.0
	for i, wall := range u.wall {
		gain = -math.Expm1(-u.toMains[i] * dt / s.plugJK)
		mains, film := s.plugJK*gain/dt, u.toWall[i]
		if s.filmC == 0 {
			film = 0
		}
		wall = (stored*wall + film*filmT + mains*u.coil[i] + s.rest*f.RoomC) / (stored + film + mains + s.rest)
		u.wall[i] = wall
		u.coil[i] += gain * (wall - u.coil[i])
		lost += s.rest * (wall - f.RoomC)
		if s.filmC > 0 {
			filmT -= film / s.filmC * (filmT - wall)
			kept := f.RoomC + s.keep*(filmT-f.RoomC)
			lost += s.filmC * (filmT - kept)
			filmT = kept
		} else {
			filmT = wall
		}
		u.film[i] = filmT
	}
	u.leave(dt, f, filmT, gain, lost)
}

// profile is a Correlated unit in steady running, slice by slice from where the
// waste enters.
type profile struct {
	feed        Feed
	heat, keep  float64               // W/K of the film; share of its excess over the room kept
	rest        float64               // W/K, wall to room
	water, film [steadySlices]float64 // °C, means over each slice
	toWall      [steadySlices]float64 // W/K, film entering a slice to its wall
	toMains     [steadySlices]float64 // W/K, water entering a slice to its wall
	approach    [steadySlices]float64 // share of the way water goes to its wall
	conductance float64               // W/K, of the whole unit
}

// local solves the unit with each slice's coefficients at its own temperatures.
// Five passes leave less than 1 mK.
func (p *Physics) local(f Feed, c Condition) (Outlets, float64) {
	k := newCoefficients(p)
	s := profile{feed: f}
	for i := range s.water {
		x := (float64(i) + 0.5) / steadySlices
		s.water[i] = f.ColdC + (0.5-0.5*x)*(f.WasteC-f.ColdC)
		s.film[i] = f.WasteC - 0.5*x*(f.WasteC-f.ColdC)
	}
	const n = steadySlices
	var out Outlets
	for range 5 {
		mainsC, filmC := mean(s.water[:]), mean(s.film[:])
		cold := f.MainsKgS * specificHeat(mainsC)
		s.heat = f.WasteKgS * specificHeat(filmC)
		s.keep = math.Exp(-p.lossConductance() / n / s.heat)
		s.rest = (p.WallJK + p.CoilL*specificHeat(mainsC)) / n / (60 * p.RestMin)
		s.conductance = 0
		for i := range s.water {
			film, mains := k.halves(f, s.water[i], s.film[i], c)
			s.conductance += 1 / (1/film + 1/mains) / n
			s.toWall[i] = s.heat * -math.Expm1(-film/n/s.heat)
			s.approach[i] = -math.Expm1(-mains / n / cold)
			s.toMains[i] = cold * s.approach[i]
		}
		if c.Parallel {
			out.PreheatC, out.WasteOutC = s.parallel()
			continue
		}
		lo, hi := f.ColdC, f.WasteC
		footLo, _ := s.counter(lo)
		footHi, _ := s.counter(hi)
		out.PreheatC = lo + (f.ColdC-footLo)/(footHi-footLo)*(hi-lo)
		_, out.WasteOutC = s.counter(out.PreheatC)
	}
	return out, s.conductance
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// counter marches down from a preheat temperature and returns the temperatures
// at the foot.
func (s *profile) counter(preheatC float64) (coldC, wasteC float64) {
	water, film := preheatC, s.feed.WasteC
	for i := range s.water {
		total := s.toWall[i] + s.toMains[i] + s.rest
		fixed := (s.toWall[i]*film + s.rest*s.feed.RoomC) / total
		share, a := s.toMains[i]/total, s.approach[i]
		entering := (water - a*fixed) / (1 - a + a*share)
		s.water[i] = (water + entering) / 2
		film = s.pass(i, film, fixed+share*entering)
		water = entering
	}
	return water, film
}

func (s *profile) parallel() (preheatC, wasteC float64) {
	water, film := s.feed.ColdC, s.feed.WasteC
	for i := range s.water {
		wall := (s.toWall[i]*film + s.toMains[i]*water + s.rest*s.feed.RoomC) / (s.toWall[i] + s.toMains[i] + s.rest)
		leaving := water + s.approach[i]*(wall-water)
		s.water[i] = (water + leaving) / 2
		film = s.pass(i, film, wall)
		water = leaving
	}
	return water, film
}

// pass returns the film's temperature after slice i.
func (s *profile) pass(i int, film, wall float64) float64 {
	after := film - s.toWall[i]/s.heat*(film-wall)
	after = s.feed.RoomC + s.keep*(after-s.feed.RoomC)
	s.film[i] = (film + after) / 2
	return after
}

// mostFlowLMin is the most that a shower draws here.
const mostFlowLMin = 12.0

// correlate turns the physics into a [Correlated] one of the same effectiveness:
// an upright pipe with one to four tubes around it, hold-up 1.9 to 5 l and
// copper of 3.2 to 7.4 kJ/K, which is what 0.9 to 1.8 m of such a unit hold.
// One or two starts run turbulent; up to four, as many as that takes, laminar in
// the coil's sense.
func (p *Physics) correlate(r *rand.Rand) {
	p.Model, p.Law, p.Orientation = Correlated, Series, greywatt.Vertical
	p.FilmPerK, p.MainsPerK, p.InletFactor = 0, 0, false
	p.WettingLMin, p.WettingLoss = 0, 0
	p.FilmShare, p.WallShare = between(r, 0.33, 0.53), between(r, 0.04, 0.16)
	p.Geometry = Geometry{
		Film: choose(r, FilmLaws...), Coil: choose(r, CoilLaws...),
		PipeBoreM: choose(r, 0.0508, 0.0762, 0.0762, 0.1016), TubeBoreM: choose(r, 0.0079, 0.0109, 0.0138),
	}
	p.Geometry.Starts = 1 + r.IntN(2)
	for p.Geometry.Coil == SchmidtLaminar && p.Geometry.reynolds(mostFlowLMin/60, ratedMainsC) > criticalReynolds(p.Geometry.curvature()) {
		p.Geometry.Starts++
	}
	// Water and copper grow with the unit's length alike.
	long := r.Float64()
	p.CoilL = 1.9 + 3.1*min(max(long+between(r, -0.15, 0.15), 0), 1)
	p.WallJK = 3200 + 4200*long
	p.setEffectiveness(between(r, 0.40, 0.64))
}
