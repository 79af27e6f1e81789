package health_test

import (
	"fmt"
	"syscall"
	"testing"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/analysis/simulate"
)

func cpu() float64 {
	var r syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &r)
	return float64(r.Utime.Nano())
}

func TestCPU(t *testing.T) {
	h := simulate.NewHouse("bench", 7, simulate.Options{Days: 28})
	var frames []greywatt.Frame
	for f := range h.Frames(nil) {
		frames = append(frames, f)
	}
	for range 3 {
		c := cpu()
		for range 50 {
			w := health.New(nil, &h.Dwelling)
			for i := 0; i < len(frames); i += 4096 {
				w.Push(frames[i:min(len(frames), i+4096)])
			}
		}
		fmt.Println("cpu ns/frame", (cpu()-c)/float64(50*len(frames)))
	}
}
