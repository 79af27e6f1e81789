package simulate

import (
	"math"
	"math/rand/v2"
	"time"

	"greywatt"
)

// A Climate gives the temperatures that the plumbing does not make.
type Climate struct {
	MainsC   [12]float64 // mean mains temperature of each month, January first
	DiurnalK float64     // size of the daily wave of mains temperature
	WanderK  float64     // standard deviation of its slow wandering

	RoomC       float64 // yearly mean beside the exchanger
	RoomSeasonK float64 // half the yearly swing, warmest at the end of July
	South       bool    // the room is warmest half a year later
	RoomDailyK  float64 // half the daily swing, warmest at 18:00
	RoomWanderK float64 // standard deviation of wandering over hours
}

// TableMains is the monthly mains temperature of SAP 10.2, Table J1 (cold
// water from the mains), °C; read second hand, in two open programs that carry it.
var TableMains = [12]float64{8.0, 8.2, 9.3, 12.7, 14.6, 16.7, 18.4, 17.6, 16.6, 14.3, 11.1, 8.5}

// SwingingMains returns monthly means that swing from lo in mid-February to hi
// in mid-August.
func SwingingMains(lo, hi float64) [12]float64 {
	var m [12]float64
	for i := range m {
		m[i] = (lo+hi)/2 - (hi-lo)/2*math.Cos(2*math.Pi*float64(i-1)/12)
	}
	return m
}

// MainsByAir returns monthly means of mains temperature from those of the air, °C:
// the yearly mean and the largest difference of two monthly means. Source: J. Burch
// and C. Christensen, "Towards development of an algorithm for mains water
// temperature", ASES 2007.
func MainsByAir(airC, swingK float64, south bool) [12]float64 {
	var m [12]float64
	for i := range m {
		day := (float64(i) + 0.5) * 365 / 12
		m[i] = (mainsByAirF(day, 1.8*airC+32, 1.8*swingK, south) - 32) / 1.8
	}
	return m
}

// mainsByAirF is the same on a day of the year, in °F.
func mainsByAirF(day, airF, swingF float64, south bool) float64 {
	phase := -90.0
	if south {
		phase = 90
	}
	ratio, lag := 0.4+0.01*(airF-44), 35-(airF-44)
	return airF + 6 + ratio*swingF/2*math.Sin(math.Pi/180*(0.986*(day-15-lag)+phase))
}

// halfYearOn returns monthly means moved by six months: the same seasons south
// of the equator.
func halfYearOn(m [12]float64) [12]float64 {
	var out [12]float64
	for i := range m {
		out[(i+6)%12] = m[i]
	}
	return out
}

// Mains returns the mains temperature at a local moment, without wandering:
// months interpolated between their middles, and a daily wave of the shape that
// the energy rating's draw model gives: falling from the evening's value through
// the night, back up from 06:00 to 15:00, flat until 23:00.
func (c *Climate) Mains(local time.Time) float64 {
	year := float64(local.YearDay()-1) / 365.25
	hour := float64(local.Hour()) + float64(local.Minute())/60 + float64(local.Second())/3600
	return c.mains(year+hour/24/365.25, hour)
}

// mains takes the fraction of the year and the local hour.
func (c *Climate) mains(year, hour float64) float64 {
	m := year*12 - 0.5
	i := int(math.Floor(m))
	mean := c.MainsC[(i+12)%12] + (m-float64(i))*(c.MainsC[(i+13)%12]-c.MainsC[(i+12)%12])
	d := c.DiurnalK
	evening := mean + d*15/48
	switch {
	case hour < 6:
		return evening - d*hour/6
	case hour < 15:
		return evening - (15-hour)*d/9
	}
	return evening
}

func (c *Climate) room(year, hour float64) float64 {
	warmest := 0.57
	if c.South {
		warmest -= 0.5
	}
	return c.RoomC + c.RoomSeasonK*math.Cos(2*math.Pi*(year-warmest)) + c.RoomDailyK*math.Cos(2*math.Pi*(hour-18)/24)
}

// RandomClimate draws mains water between about 6 and 17 °C over the year and
// a heated room.
func RandomClimate(r *rand.Rand) Climate {
	c := Climate{
		MainsC:   SwingingMains(between(r, 5.5, 8), between(r, 14.5, 17.5)),
		DiurnalK: between(r, 0.3, 1.5), WanderK: between(r, 0.1, 0.4),
		RoomC: between(r, 18, 22), RoomSeasonK: between(r, 0.5, 2.5),
		RoomDailyK: between(r, 0.3, 1.5), RoomWanderK: between(r, 0.1, 0.5),
	}
	if chance(r, 0.25) {
		c.MainsC, c.DiurnalK = TableMains, 1.5
	}
	return c
}

// weather follows a Climate through a run.
type weather struct {
	*Climate
	r           *rand.Rand
	days        []float64 // s from the run's start to each local midnight
	firstYear   []float64 // fraction of the year at that midnight
	day         int
	mainsWander float64
	roomWander  float64
	mainsC      float64
	roomC       float64
	hour        float64
	wanderedAt  float64
	nextAt      float64
}

func newWeather(c *Climate, seed uint64, start greywatt.Date, days int, loc *time.Location) *weather {
	w := &weather{Climate: c, r: generator(seed, weatherStream)}
	origin := start.In(loc)
	for d := range days + 2 {
		midnight := time.Date(start.Year, start.Month, start.Day+d, 0, 0, 0, 0, loc)
		w.days = append(w.days, greywatt.InstantOf(midnight).Sub(origin))
		w.firstYear = append(w.firstYear, float64(midnight.YearDay()-1)/365.25)
	}
	w.mainsWander = c.WanderK * w.r.NormFloat64()
	w.roomWander = c.RoomWanderK * w.r.NormFloat64()
	w.at(0)
	return w
}

// at moves to t seconds after the start; it recomputes once in ten seconds.
func (w *weather) at(t float64) {
	if t < w.nextAt {
		return
	}
	w.nextAt = t + 10
	for w.day+2 < len(w.days) && t >= w.days[w.day+1] {
		w.day++
	}
	since := t - w.days[w.day]
	w.hour = since / 3600
	w.wander(t - w.wanderedAt)
	w.wanderedAt = t
	year := w.firstYear[w.day] + since/86400/365.25
	w.mainsC = w.mains(year, w.hour) + w.mainsWander
	w.roomC = w.room(year, w.hour) + w.roomWander
}

// wander advances two Ornstein-Uhlenbeck walks, of two days and of two hours.
func (w *weather) wander(dt float64) {
	step := func(x *float64, sd, tau float64) {
		k := math.Exp(-dt / tau)
		*x = *x*k + sd*math.Sqrt(1-k*k)*w.r.NormFloat64()
	}
	step(&w.mainsWander, w.WanderK, 2*86400)
	step(&w.roomWander, w.RoomWanderK, 2*3600)
}
