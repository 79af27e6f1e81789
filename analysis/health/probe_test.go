package health_test

import (
	"fmt"
	"testing"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/analysis/simulate"
)

func run(h *simulate.House, change func(t float64, f *greywatt.Frame) bool) health.Record {
	w := health.New(nil, &h.Dwelling)
	from, _ := h.Span()
	batch := make([]greywatt.Frame, 0, 512)
	for f := range h.Frames(nil) {
		if change != nil && !change(f.At.Sub(from)/86400, &f) {
			continue
		}
		if batch = append(batch, f); len(batch) == cap(batch) {
			w.Push(batch)
			batch = batch[:0]
		}
	}
	w.Push(batch)
	return w.Close()
}

func TestProbe(t *testing.T) {
	for i := range 6 {
		h := simulate.NewHouse("h", 500+uint64(i), simulate.Options{Days: 60})
		r := run(h, nil)
		fmt.Printf("== %v nodes %+v ooo %d\n", h.Dwelling.Connection, r.Nodes, r.OutOfOrder)
		for _, c := range r.Channels {
			s := h.Sensors[c.Channel]
			fmt.Printf("  %-12s n %d noise %.4f (%.4f) q %.4f (%.4f %.5f) drift %+.3f u %.3f score %.3f nights %d\n", c.Channel, c.Readings, c.NoiseK, s.NoiseK, c.Quantum, s.QuantumK, s.QuantumLS, c.Drift.ChangeK, c.Drift.UK, c.Drift.Score, c.Drift.Nights)
		}
		fmt.Printf("  dead %v\n  drifting %v\n leaks %v\n resting %v %v %v\n", r.Dead, r.Drifting, r.Leaks, r.RestingFlow.QuietHours, r.RestingFlow.FlowHours, r.RestingFlow.ZeroLMin)
		for k, x := range r.Rests {
			if k%8 == 0 {
				fmt.Printf("   rest %v h %.1f room %.2f mains %.2f chill %.3f diff %.3f\n", x.From.Time().Format("01-02 15:04"), x.RestH, x.RoomC, x.MainsC, x.Chill, x.DiffK)
			}
		}
	}
}
