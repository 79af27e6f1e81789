package simulate

import "math"

// lumped is a unit that knows its steady state and reaches it late: the water
// held is a pure dead time on the mains side, the film one on the waste side,
// and each outlet follows with two lags that shorten as its own flow grows.
type lumped struct {
	p                 *Physics
	held              plug // mains water ahead of the unit's middle
	preheat, wall     float64
	wasteOut, wasteIn float64
}

func newLumped(p *Physics, roomC float64) *lumped {
	return &lumped{
		p: p, held: newPlug(p.CoilL*0.6, roomC),
		preheat: roomC, wall: roomC, wasteOut: roomC, wasteIn: roomC,
	}
}

func (u *lumped) step(dt float64, f Feed, c Condition) Outlets {
	inside := f
	inside.MainsKgS *= 1 - c.Bypass
	rest := -math.Expm1(-dt / (60 * u.p.RestMin))
	if inside.MainsKgS == 0 {
		u.held.relax(f.RoomC, rest)
	}
	inside.ColdC = u.held.push(inside.MainsKgS*dt, f.ColdC)
	if f.WasteKgS > 0 {
		u.wasteIn += (f.WasteC - u.wasteIn) * -math.Expm1(-dt/u.p.FilmS)
	} else {
		u.wasteIn += rest * (f.RoomC - u.wasteIn)
	}
	inside.WasteC = u.wasteIn

	preheat, wasteOut := f.RoomC, f.RoomC
	switch {
	case inside.MainsKgS > 0 && f.WasteKgS > 0:
		s := u.p.closedForm(inside, c, (inside.ColdC+u.preheat)/2, (u.wasteIn+u.wasteOut)/2)
		preheat, wasteOut = s.PreheatC, s.WasteOutC
	case inside.MainsKgS > 0:
		preheat = inside.ColdC
	case f.WasteKgS > 0:
		wasteOut = u.wasteIn
	}
	u.wall += (preheat - u.wall) * u.towards(dt, inside.MainsKgS)
	u.preheat += (u.wall - u.preheat) * u.towards(2*dt, inside.MainsKgS)
	u.wasteOut += (wasteOut - u.wasteOut) * u.towards(dt, f.WasteKgS)

	out := Outlets{PreheatC: u.preheat, WasteOutC: u.wasteOut}
	if c.Bypass > 0 {
		out.PreheatC = c.Bypass*f.ColdC + (1-c.Bypass)*u.preheat
	}
	return out
}

// towards returns the share of the way an outlet goes in dt at a flow.
func (u *lumped) towards(dt, kgS float64) float64 {
	rate := kgS * 60 / ratedFlowLMin / u.p.LumpedLagS
	return -math.Expm1(-dt * (rate + 1/(60*u.p.RestMin)))
}

// plug is a pipe: what is pushed in comes out after the pipe's volume.
type plug struct {
	cells   []float64 // °C, from the outlet
	cellKg  float64
	partial float64 // kg in the cell that is filling
	partJ   float64 // kg·°C in it
	out     float64
}

func newPlug(kg, t float64) plug {
	const n = 12
	p := plug{cells: make([]float64, n), cellKg: kg / n, out: t}
	for i := range p.cells {
		p.cells[i] = t
	}
	return p
}

// push moves kg of water at t °C in, and returns the temperature at the outlet.
func (p *plug) push(kg, t float64) float64 {
	for kg > 0 {
		part := min(kg, p.cellKg-p.partial)
		p.partial += part
		p.partJ += part * t
		kg -= part
		if p.partial >= p.cellKg*(1-1e-9) {
			p.out = p.cells[0]
			copy(p.cells, p.cells[1:])
			p.cells[len(p.cells)-1] = p.partJ / p.partial
			p.partial, p.partJ = 0, 0
		}
	}
	return p.out
}

// relax moves the whole pipe the given share of the way to a temperature.
func (p *plug) relax(t, share float64) {
	for i := range p.cells {
		p.cells[i] += share * (t - p.cells[i])
	}
	p.partJ += share * (t*p.partial - p.partJ)
	p.out += share * (t - p.out)
}
