package simulate

import (
	"math"
	"math/rand/v2"

	"greywatt"
)

// Plumbing is what lies around the exchanger.
type Plumbing struct {
	ColdPipeL   float64 // mains pipe between a room-warm stretch and the exchanger
	ColdRestMin float64 // time constant of its warming at rest
	ServiceK    float64 // warmth of the first water from the street
	ServiceL    float64 // volume over which that fades
	MixPipeL    float64 // from the exchanger to the mixer's cold side
	HotPipeL    float64 // from the heater to its hot side
	HeaterRampS float64 // of a heater that starts on demand; 0: a store
	PortRestMin float64 // time constant of a dry or standing pipe at a clamp

	Lever  bool    // a person corrects the mix now and then; else a thermostat does
	MixerS float64 // the thermostat's lag

	DropShare  float64 // of head minus bathroom temperature, lost on the way to the drain at 8 l/min
	MainsDrop  float64 // where set, in place of DropShare: share of head minus mains temperature lost there at 8 l/min
	WallS      float64 // running off walls and people
	WetL       float64 // water that stays in a dry tray before any drains
	TrayS      float64 // of the tray's draining
	TrapL      float64 // standing water in the trap
	DrainJK    float64 // heat capacity of the drain pipe before the exchanger
	DrainShare float64 // of the way the water goes to that pipe's temperature, at 8 l/min

	PressureLoss float64 // share of the shower's flow lost while another tap runs
}

// RandomPlumbing draws the pipes of a dwelling.
func RandomPlumbing(r *rand.Rand) Plumbing {
	p := Plumbing{
		ColdPipeL: between(r, 0.5, 3), ColdRestMin: between(r, 20, 90),
		ServiceK: between(r, 0, 1.5), ServiceL: between(r, 3, 10),
		MixPipeL: between(r, 0.2, 1), HotPipeL: between(r, 0.5, 2), PortRestMin: between(r, 5, 30),
		Lever: chance(r, 0.25), MixerS: between(r, 1, 4),
		DropShare: between(r, 0.15, 0.30), WallS: between(r, 0.8, 2.5), WetL: between(r, 0.3, 1.6),
		TrayS: between(r, 2, 8), TrapL: between(r, 0.2, 0.6), DrainJK: between(r, 800, 4000),
		DrainShare: between(r, 0.1, 0.3), PressureLoss: between(r, 0, 0.12),
	}
	if chance(r, 0.6) {
		p.HeaterRampS = between(r, 5, 15)
	}
	return p
}

// The hot share of a mixing valve never reaches its ends: valves leak a little
// of the other side, which keeps some mains flow through the exchanger in B.
const (
	leastHot = 0.05
	mostHot  = 0.88
)

// MixFlow returns the mains flow through the exchanger for a head flow with a
// share of hot water.
func mixFlow(c greywatt.Connection, head, hotShare float64) float64 {
	switch c {
	case greywatt.ConnectionB:
		return head * (1 - hotShare)
	case greywatt.ConnectionC:
		return head * hotShare
	}
	return head
}

// demand is what is wanted of the water in one step.
type demand struct {
	showerKgS float64
	targetC   float64
	otherKgS  float64
}

// waterworks is Plumbing in motion.
type waterworks struct {
	*Plumbing
	connection greywatt.Connection
	hotC       float64
	r          *rand.Rand

	cold, mix, hot plug
	coldOut        float64 // °C at the cold inlet
	drawnL         float64 // since the street pipe was last at rest
	hotShare       float64
	heaterC        float64
	headC          float64
	nextTouch      float64 // s until a person next corrects the lever

	wall, tray reservoir
	wetKg      float64
	trapC      float64
	drainC     float64
	leakKgS    float64 // that runs through the exchanger at all times
	dripKgS    float64 // the part of it that ends in the shower's drain
	wasteKgS   float64 // at the exchanger's waste inlet
	wasteC     float64
}

func newWaterworks(p *Plumbing, c greywatt.Connection, hotC, roomC float64, r *rand.Rand) *waterworks {
	return &waterworks{
		Plumbing: p, connection: c, hotC: hotC, r: r,
		cold: newPlug(p.ColdPipeL, roomC), mix: newPlug(p.MixPipeL, roomC), hot: newPlug(p.HotPipeL, roomC),
		coldOut: roomC, hotShare: 0.6, heaterC: hotC, headC: roomC, trapC: roomC, drainC: roomC, wasteC: roomC,
		wall: reservoir{t: roomC}, tray: reservoir{t: roomC},
	}
}

// mainsKgS returns the flow through the exchanger for a demand, at the mixer's
// present setting, without what leaks.
func (w *waterworks) mainsKgS(d demand) float64 {
	through := mixFlow(w.connection, d.showerKgS, w.hotShare)
	if w.connection != greywatt.ConnectionB {
		through += d.otherKgS
	}
	return through
}

// supply moves the cold pipe and sets coldOut.
func (w *waterworks) supply(dt, mainsKgS, mainsC, roomC float64) {
	if mainsKgS == 0 {
		w.drawnL *= math.Exp(-dt / 3600)
		w.cold.relax(roomC, -math.Expm1(-dt/(60*w.ColdRestMin)))
		w.coldOut = w.cold.out
		return
	}
	fresh := mainsC + w.ServiceK*math.Exp(-w.drawnL/w.ServiceL)
	w.drawnL += mainsKgS * dt
	if mainsKgS == w.leakKgS { // slow enough for the pipe to warm on the way
		w.cold.relax(roomC, -math.Expm1(-dt/(60*w.ColdRestMin)))
	}
	w.coldOut = w.cold.push(mainsKgS*dt, fresh)
}

// shower mixes, and carries the water from the head to the waste inlet.
func (w *waterworks) shower(dt float64, d demand, preheatC, mainsC, roomC float64) {
	w.heat(dt, w.hotShare*d.showerKgS+d.otherKgS)
	if d.showerKgS > 0 {
		side := preheatC
		if w.connection == greywatt.ConnectionC {
			side = mainsC
		}
		cold := w.mix.push(d.showerKgS*(1-w.hotShare)*dt, side)
		hot := w.hot.push(d.showerKgS*w.hotShare*dt, w.heaterC)
		w.headC = w.hotShare*hot + (1-w.hotShare)*cold
		w.turn(dt, d.targetC, hot, cold)
	} else {
		rest := -math.Expm1(-dt / 1800)
		w.mix.relax(roomC, rest)
		w.hot.relax(roomC, rest)
	}
	w.drain(dt, d.showerKgS, mainsC, roomC)
}

// heat follows a heater that has to start; a store is always hot.
func (w *waterworks) heat(dt, hotKgS float64) {
	switch {
	case w.HeaterRampS == 0:
		w.heaterC = w.hotC
	case hotKgS > 0:
		w.heaterC += (w.hotC - w.heaterC) * -math.Expm1(-dt/w.HeaterRampS)
	default:
		w.heaterC += (35 - w.heaterC) * -math.Expm1(-dt/1200)
	}
}

// turn moves the hot share towards the target, by thermostat or by hand.
func (w *waterworks) turn(dt, targetC, hot, cold float64) {
	span := max(hot-cold, 3)
	if !w.Lever {
		want := min(max((targetC-cold)/span, leastHot), mostHot)
		w.hotShare += (want - w.hotShare) * -math.Expm1(-dt/w.MixerS)
		return
	}
	w.nextTouch -= dt
	if wrong := targetC - w.headC; w.nextTouch <= 0 && math.Abs(wrong) > 0.6 {
		w.hotShare = min(max(w.hotShare+0.85*wrong/span, leastHot), mostHot)
		w.nextTouch = between(w.r, 4, 10)
	}
}

// reservoir is water that runs off at a rate in proportion to what is held.
type reservoir struct{ kg, t float64 }

// pass adds kg at t °C and returns what runs off in dt.
func (v *reservoir) pass(dt, tau, kg, t float64) (outKg float64) {
	if all := v.kg + kg; all > 0 {
		v.t = (v.kg*v.t + kg*t) / all
	}
	keep := math.Exp(-dt / tau)
	after := v.kg*keep + kg/dt*tau*(1-keep)
	outKg = v.kg + kg - after
	v.kg = after
	return outKg
}

// trickleKgS is a waste flow that no longer wets the exchanger: 0.03 l/min.
const trickleKgS = 0.03 / 60

func (w *waterworks) drain(dt, headKgS, mainsC, roomC float64) {
	bathC := roomC + 2
	fallen := w.headC
	if headKgS > 0 {
		share, from := w.DropShare, bathC
		if w.MainsDrop > 0 {
			share, from = w.MainsDrop, mainsC
		}
		fallen -= share * math.Pow(headKgS*60/8, -0.35) * (w.headC - from)
	} else {
		w.wall.t += (bathC - w.wall.t) * -math.Expm1(-dt/60)
		w.tray.t += (bathC - w.tray.t) * -math.Expm1(-dt/60)
		if w.dripKgS > 0 { // which keeps the tray wet
			headKgS, fallen = w.dripKgS, bathC
		} else {
			w.wetKg *= math.Exp(-dt / 1200)
		}
	}
	kg := w.wall.pass(dt, w.WallS, headKgS*dt, fallen)
	stays := min(kg, w.WetL-w.wetKg)
	w.wetKg += stays
	out := w.tray.pass(dt, w.TrayS, kg-stays, w.wall.t) / dt
	room := -math.Expm1(-dt / (60 * w.PortRestMin))
	w.drainC += room * (roomC - w.drainC)
	if out < trickleKgS {
		w.wasteKgS = 0
		w.trapC += -math.Expm1(-dt/1800) * (roomC - w.trapC)
		w.wasteC += room * (roomC - w.wasteC)
		return
	}
	w.wasteKgS = out
	w.trapC += (w.tray.t - w.trapC) * -math.Expm1(-out*dt/w.TrapL)
	share := 1 - math.Pow(1-w.DrainShare, 8/60.0/out)
	given := share * (w.trapC - w.drainC)
	w.drainC += given * -math.Expm1(-out*4180*share*dt/w.DrainJK) / share
	w.wasteC = w.trapC - given
}
