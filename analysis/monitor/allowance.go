package monitor

import (
	"math"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
)

// An error of the temperature law, of a clamp or of the heater's stated
// temperature is constant, but what it does to conductance and balance changes with
// the season, as the temperatures do. What a certificate leaves open is constant at
// one flow, and grows away from the flows of its points: of two people in a household,
// one may shower at half of the other's flow. A deviation from the level counts only beyond
// what such errors explain in 99 of 100 units, 2.5 standard uncertainties: this
// project's choice, as a guard is to leave a street of healthy units alone.
const allowedU = 2.5

// This project's choice, but for the last two.
const (
	wasteExponent = 0.25 // of the rated conductance with the waste flow: between the published fits
	storeU        = 3.0  // K, standard uncertainty of the stated delivery temperature
	// A published statement on waste water heat: it keeps 80 to 90 % of what the
	// shower's water is above the mains, so that the drop from the head to the unit
	// grows by 0.1 to 0.2 K per kelvin of colder mains. The event takes it as constant.
	dropPerK = 0.15 // K/K
)

// allowances returns by how much the event's ln UA and balance may differ from a
// level at other port temperatures and flows without anything having changed; levelU
// is the level's [event.Event.UARatingLnU].
func allowances(dw *greywatt.Dwelling, level [4]float64, levelU float64, e *event.Event) (ua, heat float64) {
	now := ports(e)
	u := clampU(e)
	law := event.TemperatureLawU(now[greywatt.ColdIn]-level[greywatt.ColdIn], perUA(dw.Connection, now))
	v := law * law
	if u := e.UARatingLnU; u > levelU {
		v += u*u - levelU*levelU
	}
	var w float64
	for k := range greywatt.Channel(greywatt.NumPorts) {
		moved := u[k] * (perClamp(dw.Connection, now, k) - perClamp(dw.Connection, level, k))
		v += moved * moved
		moved = u[k] * (balancePerClamp(now, k) - balancePerClamp(level, k))
		w += moved * moved
	}
	hotNow, dropNow := mixer(dw, now)
	hotThen, _ := mixer(dw, level)
	moved := storeU * (hotNow - hotThen)
	w += moved * moved
	drop := math.Abs(dropPerK * (now[greywatt.ColdIn] - level[greywatt.ColdIn]) * dropNow)
	return known(allowedU * math.Sqrt(v)), known(allowedU*math.Sqrt(w) + drop)
}

// known is x, 0 where temperatures give none.
func known(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}

func ports(e *event.Event) [4]float64 {
	return [4]float64{e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC}
}

// clampU returns the standard uncertainty of each clamp, K.
func clampU(e *event.Event) (u [4]float64) {
	u, ok := e.ClampU()
	for k := range u {
		if !ok {
			u[k] = greywatt.DefaultU95K / 2
		}
	}
	return u
}

// perClamp is the derivative of ln UA to the reading of port k, 1/K.
func perClamp(c greywatt.Connection, t [4]float64, k greywatt.Channel) float64 {
	const h = 0.05 // K
	up, down := t, t
	up[k] += h
	down[k] -= h
	return (lnConductance(c, up) - lnConductance(c, down)) / (2 * h)
}

// lnConductance is ln UA against the rated unit's but for a constant.
func lnConductance(c greywatt.Connection, t [4]float64) float64 {
	eff, r := figures(c, t)
	return math.Log(exchanger.CounterflowNTU(eff, r)) + wasteExponent*math.Log(r)
}

// perUA is the derivative of ln effectiveness to ln UA.
func perUA(c greywatt.Connection, t [4]float64) float64 {
	const h = 0.01
	eff, r := figures(c, t)
	ntu := exchanger.CounterflowNTU(eff, r)
	return math.Log(exchanger.Counterflow(ntu*(1+h), r)/exchanger.Counterflow(ntu*(1-h), r)) / math.Log((1+h)/(1-h))
}

// figures returns the effectiveness and the ratio of flows, mains over waste side:
// equal in A, elsewhere by the heat balance. The few per cent that the room takes are
// left out: nothing but derivatives is made of this.
func figures(c greywatt.Connection, t [4]float64) (eff, r float64) {
	r = 1
	if c != greywatt.ConnectionA {
		r = min(1, (t[greywatt.WasteIn]-t[greywatt.WasteOut])/(t[greywatt.PreheatOut]-t[greywatt.ColdIn]))
	}
	return (t[greywatt.PreheatOut] - t[greywatt.ColdIn]) / (t[greywatt.WasteIn] - t[greywatt.ColdIn]), r
}

// balancePerClamp is the derivative of the logarithm of the waste side's fall over
// the mains side's rise to the reading of port k, 1/K.
func balancePerClamp(t [4]float64, k greywatt.Channel) float64 {
	switch k {
	case greywatt.WasteIn:
		return 1 / (t[greywatt.WasteIn] - t[greywatt.WasteOut])
	case greywatt.WasteOut:
		return -1 / (t[greywatt.WasteIn] - t[greywatt.WasteOut])
	case greywatt.ColdIn:
		return 1 / (t[greywatt.PreheatOut] - t[greywatt.ColdIn])
	}
	return -1 / (t[greywatt.PreheatOut] - t[greywatt.ColdIn])
}

// mixer returns the derivatives of the balance to the heater's delivery temperature
// and to the drop from the head to the unit, 1/K.
func mixer(dw *greywatt.Dwelling, t [4]float64) (perHot, perDrop float64) {
	head, hot := t[greywatt.WasteIn]+event.HandDropK, dw.Heater.HotC
	switch dw.Connection {
	case greywatt.ConnectionB:
		return 1/(hot-t[greywatt.PreheatOut]) - 1/(hot-head), 1 / (hot - head)
	case greywatt.ConnectionC:
		return 1 / (hot - t[greywatt.ColdIn]), -1 / (head - t[greywatt.ColdIn])
	}
	return 0, 0
}
