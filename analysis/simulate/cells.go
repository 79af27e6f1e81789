package simulate

import "math"

// cells is the unit in slices, index 0 where the waste enters. In one step the
// wall temperatures are implicit, the film and the plugs of mains water relax
// exponentially towards their slice of wall, and the plugs move one slice when
// a slice's volume has passed: no numerical diffusion, stable at any step, and
// every joule that leaves the film is in the wall, the water or the room.
type cells struct {
	p        *Physics
	wall     []float64 // °C
	coil     []float64 // °C, plugs of mains water
	moved    float64   // kg into the present plug
	preheat  float64   // °C, last plug that left
	wasteOut float64   // °C, film at the foot, behind its transit
	toRoomJ  float64   // lost so far
}

func newCells(p *Physics, roomC float64) *cells {
	n := min(max(int(p.CoilL/0.04), 20), 48)
	u := &cells{p: p, wall: make([]float64, n), coil: make([]float64, n), preheat: roomC, wasteOut: roomC}
	for i := range u.wall {
		u.wall[i], u.coil[i] = roomC, roomC
	}
	return u
}

// slice holds the gains of one slice for given flows.
type slice struct {
	film   float64 // W/K from the film entering the slice to its wall
	filmC  float64 // W/K, capacity rate of the film
	mains  float64 // W/K, wall to water
	rest   float64 // W/K, wall to room
	keep   float64 // share of the film's excess over the room kept in the slice
	plugJK float64
	wallJK float64
	plugKg float64
}

func (u *cells) slice(f Feed, c Condition, mainsC, filmC float64) slice {
	return u.p.slice(len(u.wall), f, c, mainsC, filmC)
}

func (p *Physics) slice(n int, f Feed, c Condition, mainsC, filmC float64) slice {
	film, mains := p.conductances(f, mainsC, filmC, c)
	k := 1 / float64(n)
	s := slice{mains: mains * k, keep: 1, plugKg: p.CoilL * k, wallJK: p.WallJK * k}
	s.plugJK = s.plugKg * specificHeat(mainsC)
	s.rest = (s.wallJK + s.plugJK) / (60 * p.RestMin)
	if f.WasteKgS > 0 {
		s.filmC = f.WasteKgS * specificHeat(filmC)
		s.film = s.filmC * -math.Expm1(-film*k/s.filmC)
		s.keep = math.Exp(-p.lossConductance() * k / s.filmC)
	}
	return s
}

// step advances the unit by dt seconds of constant feed.
func (u *cells) step(dt float64, f Feed, c Condition) Outlets {
	inside := f
	inside.MainsKgS *= 1 - c.Bypass
	s := u.slice(inside, c, (f.ColdC+u.preheat)/2, (f.WasteC+u.wasteOut)/2)
	return u.advance(dt, inside.MainsKgS, s.plugKg, f, c, func(dt float64) { u.exchange(dt, f, s) })
}

// advance moves the plugs of water through dt seconds of constant feed, mainsKgS
// of it inside the unit, and lets exchange pass heat between one move and the
// next.
func (u *cells) advance(dt, mainsKgS, plugKg float64, f Feed, c Condition, exchange func(dt float64)) Outlets {
	for left := dt; left > 1e-9; {
		sub, full := left, false
		if mainsKgS > 0 {
			if need := (plugKg - u.moved) / mainsKgS; need <= left {
				sub, full = need, true
			}
		}
		if sub > 0 {
			exchange(sub)
			u.moved += sub * mainsKgS
		}
		if full {
			u.shift(f.ColdC, c.Parallel)
		}
		left -= sub
	}
	out := Outlets{PreheatC: u.preheat, WasteOutC: u.wasteOut}
	if c.Bypass > 0 {
		out.PreheatC = c.Bypass*f.ColdC + (1-c.Bypass)*u.preheat
	}
	return out
}

// exchange passes heat for dt seconds without moving the plugs.
func (u *cells) exchange(dt float64, f Feed, s slice) {
	gain := 0.0 // share of the way a plug goes towards its wall
	if dt > 0 {
		gain = -math.Expm1(-s.mains * dt / s.plugJK)
	}
	mains, stored := s.plugJK*gain/dt, s.wallJK/dt
	inverse := 1 / (stored + s.film + mains + s.rest)
	filmT, lost := f.WasteC, 0.0
	for i, wall := range u.wall {
		wall = (stored*wall + s.film*filmT + mains*u.coil[i] + s.rest*f.RoomC) * inverse
		u.wall[i] = wall
		u.coil[i] += gain * (wall - u.coil[i])
		lost += s.rest * (wall - f.RoomC)
		if s.filmC > 0 {
			filmT -= s.film / s.filmC * (filmT - wall)
			kept := f.RoomC + s.keep*(filmT-f.RoomC)
			lost += s.filmC * (filmT - kept)
			filmT = kept
		}
	}
	u.leave(dt, f, filmT, gain, lost)
}

// leave gives the outlets their temperatures after dt seconds: filmT is that of
// the film at its end, gain the share of the way that still water goes towards
// its wall, lost the heat to the room in W.
func (u *cells) leave(dt float64, f Feed, filmT, gain, lost float64) {
	u.toRoomJ += lost * dt
	if f.WasteKgS > 0 {
		u.wasteOut += (filmT - u.wasteOut) * -math.Expm1(-dt/u.p.FilmS)
	} else {
		u.wasteOut = u.wall[len(u.wall)-1]
	}
	if f.MainsKgS == 0 {
		u.preheat += gain * (u.coil[0] - u.preheat)
	}
}

func (u *cells) shift(coldC float64, parallel bool) {
	last := len(u.coil) - 1
	if parallel {
		u.preheat = u.coil[last]
		copy(u.coil[1:], u.coil)
		u.coil[0] = coldC
	} else {
		u.preheat = u.coil[0]
		copy(u.coil, u.coil[1:])
		u.coil[last] = coldC
	}
	u.moved = 0
}

// storedJ returns the heat held above 0 °C.
func (u *cells) storedJ() float64 {
	plugJK := u.p.CoilL / float64(len(u.coil)) * 4186
	sum := 0.0
	for i := range u.wall {
		sum += u.wall[i]*u.p.WallJK/float64(len(u.wall)) + u.coil[i]*plugJK
	}
	return sum
}
