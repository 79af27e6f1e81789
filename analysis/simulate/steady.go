package simulate

import "math"

// steadySlices is the number of slices of the steady solution; the error
// against the closed form falls with its square and is below 1e-4 in
// effectiveness up to NTU 2.
const steadySlices = 32

// Steady returns what leaves the unit once nothing changes any more.
func (p *Physics) Steady(f Feed, c Condition) Outlets {
	if f.MainsKgS <= 0 || f.WasteKgS <= 0 {
		return Outlets{PreheatC: math.NaN(), WasteOutC: math.NaN()}
	}
	inside := f
	inside.MainsKgS *= 1 - c.Bypass
	if p.Model == Correlated {
		out, _ := p.local(inside, c)
		out.PreheatC = c.Bypass*f.ColdC + (1-c.Bypass)*out.PreheatC
		return out
	}
	out := Outlets{PreheatC: (f.ColdC + f.WasteC) / 2, WasteOutC: (f.ColdC + f.WasteC) / 2}
	for range 3 { // the properties depend weakly on the outlets
		mainsC, filmC := (f.ColdC+out.PreheatC)/2, (f.WasteC+out.WasteOutC)/2
		if p.Model == Lumped {
			out = p.closedForm(inside, c, mainsC, filmC)
		} else {
			out = p.sliced(inside, c, mainsC, filmC)
		}
	}
	out.PreheatC = c.Bypass*f.ColdC + (1-c.Bypass)*out.PreheatC
	return out
}

// closedForm is effectiveness-NTU (Kays and London, Compact Heat Exchangers,
// chapter 2), with the loss to the room taken from the waste afterwards.
func (p *Physics) closedForm(f Feed, c Condition, mainsC, filmC float64) Outlets {
	film, mains := p.conductances(f, mainsC, filmC, c)
	cold, waste := f.MainsKgS*specificHeat(mainsC), f.WasteKgS*specificHeat(filmC)
	least := min(cold, waste)
	e := effectivenessNTU(1/(1/film+1/mains)/least, least/max(cold, waste), c.Parallel)
	heat := e * least * (f.WasteC - f.ColdC)
	lost := p.lossConductance() * ((f.WasteC+f.WasteC-heat/waste)/2 - f.RoomC)
	return Outlets{PreheatC: f.ColdC + heat/cold, WasteOutC: f.WasteC - (heat+lost)/waste}
}

// effectivenessNTU takes the transfer units and capacity ratio on the smaller
// stream.
func effectivenessNTU(ntu, ratio float64, parallel bool) float64 {
	switch {
	case parallel:
		return -math.Expm1(-ntu*(1+ratio)) / (1 + ratio)
	case math.Abs(1-ratio) < 1e-6:
		return ntu / (1 + ntu)
	}
	x := ntu * (1 - ratio)
	return -math.Expm1(-x) / (1 - ratio*math.Exp(-x))
}

// transferUnits inverts [effectivenessNTU] for counterflow.
func transferUnits(e, ratio float64) float64 {
	if math.Abs(1-ratio) < 1e-6 {
		return e / (1 - e)
	}
	return math.Log((1-e*ratio)/(1-e)) / (1 - ratio)
}

// sliced solves the slices of [cells] with nothing stored. In parallel flow
// one march downwards does; in counterflow the preheat temperature that starts
// the march is found from two marches, the equations being linear.
func (p *Physics) sliced(f Feed, c Condition, mainsC, filmC float64) Outlets {
	s := p.slice(steadySlices, f, c, mainsC, filmC)
	capacity := f.MainsKgS * specificHeat(mainsC)
	approach := -math.Expm1(-s.mains / capacity)
	m := march{feed: f, slice: s, approach: approach, mains: capacity * approach}
	if c.Parallel {
		foot, waste := m.parallel()
		return Outlets{PreheatC: foot, WasteOutC: waste}
	}
	lo, hi := f.ColdC, f.WasteC
	footLo, wasteLo := m.counter(lo)
	footHi, wasteHi := m.counter(hi)
	k := (f.ColdC - footLo) / (footHi - footLo)
	return Outlets{PreheatC: lo + k*(hi-lo), WasteOutC: wasteLo + k*(wasteHi-wasteLo)}
}

type march struct {
	feed     Feed
	slice    slice
	approach float64 // share of the way mains water goes towards its wall in a slice
	mains    float64 // W/K from water entering a slice to its wall
}

func (m *march) film(t, wall float64) float64 {
	t -= m.slice.film / m.slice.filmC * (t - wall)
	return m.feed.RoomC + m.slice.keep*(t-m.feed.RoomC)
}

// counter returns the temperatures at the foot for a preheat temperature.
func (m *march) counter(preheatC float64) (coldC, wasteC float64) {
	total := m.slice.film + m.mains + m.slice.rest
	water, film := preheatC, m.feed.WasteC
	for range steadySlices {
		// wall = fixed + share·entering, and water = (1-approach)·entering + approach·wall
		fixed := (m.slice.film*film + m.slice.rest*m.feed.RoomC) / total
		share := m.mains / total
		water = (water - m.approach*fixed) / (1 - m.approach + m.approach*share)
		film = m.film(film, fixed+share*water)
	}
	return water, film
}

func (m *march) parallel() (preheatC, wasteC float64) {
	total := m.slice.film + m.mains + m.slice.rest
	water, film := m.feed.ColdC, m.feed.WasteC
	for range steadySlices {
		wall := (m.slice.film*film + m.mains*water + m.slice.rest*m.feed.RoomC) / total
		water += m.approach * (wall - water)
		film = m.film(film, wall)
	}
	return water, film
}
