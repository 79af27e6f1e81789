package greywatt_test

import (
	"math"
	"slices"
	"testing"

	"greywatt"
)

func TestPorts(t *testing.T) {
	v := greywatt.NoValues()
	for c := range v {
		v[c] = float64(10 + c)
	}
	p := v.Ports()
	var channels []greywatt.Channel
	for c, value := range p.All() {
		channels = append(channels, c)
		if value != v[c] || p.At(c) != v[c] || *p.Of(c) != v[c] {
			t.Errorf("%s: All %g, At %g, Of %g, want %g", c, value, p.At(c), *p.Of(c), v[c])
		}
	}
	want := []greywatt.Channel{greywatt.WasteIn, greywatt.WasteOut, greywatt.ColdIn, greywatt.PreheatOut}
	if !slices.Equal(channels, want) || len(channels) != greywatt.NumPorts {
		t.Errorf("All yields %v, want %v", channels, want)
	}
	*p.Of(greywatt.ColdIn) = math.Pi
	if want := (greywatt.Ports[float64]{WasteIn: 10, WasteOut: 11, ColdIn: math.Pi, PreheatOut: 13}); p != want {
		t.Errorf("ports %+v, want %+v", p, want)
	}
	for range p.All() {
		break
	}
	for c := range greywatt.Channel(greywatt.NumChannels) {
		func() {
			defer func() {
				if panicked := recover() != nil; panicked == c.IsPort() {
					t.Errorf("%s: panicked %v, is a port %v", c, panicked, c.IsPort())
				}
			}()
			p.Of(c)
		}()
	}
}

func TestRatedInlets(t *testing.T) {
	for _, test := range []struct{ x, want [2]float64 }{
		{[2]float64{0, 0}, [2]float64{greywatt.DefaultRatedColdInC, greywatt.DefaultRatedWasteInC}},
		{[2]float64{0, 38}, [2]float64{0, 38}},
		{[2]float64{10, 41}, [2]float64{10, 41}},
	} {
		x := greywatt.Exchanger{RatedColdInC: test.x[0], RatedWasteInC: test.x[1]}
		if cold, waste := x.RatedInlets(); cold != test.want[0] || waste != test.want[1] {
			t.Errorf("inlets stated as %v: %g, %g, want %v", test.x, cold, waste, test.want)
		}
	}
}
