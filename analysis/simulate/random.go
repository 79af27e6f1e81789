package simulate

import (
	"math"
	"math/rand/v2"
)

// A stream is one use of randomness. Each has its own generator, so that a
// fault or another sensor leaves people's habits as they were.
type stream uint64

const (
	drawStream stream = iota + 1
	physicsStream
	plumbingStream
	sensorStream
	habitStream
	weatherStream
	flowStream
	noiseStream
	faultStream
	gapStream
	dayStream // and day d uses dayStream + d
)

// Streams that came later, clear of those of the days.
const (
	unitStream stream = 1<<40 + iota
	hazardStream
	showerStream // and the shower of day d uses showerStream + d
)

func generator(seed uint64, s stream) *rand.Rand {
	return rand.New(rand.NewPCG(mix(seed), mix(uint64(s))))
}

// mix spreads seeds that follow one another over all 64 bits: the finaliser of
// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

func between(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

func chance(r *rand.Rand, p float64) bool { return r.Float64() < p }

// truncated returns a normal deviate of standard deviation sd, redrawn until
// it is within most of zero.
func truncated(r *rand.Rand, sd, most float64) float64 {
	for {
		if x := sd * r.NormFloat64(); math.Abs(x) <= most {
			return x
		}
	}
}

// poisson returns a count of the given mean, below about 30.
func poisson(r *rand.Rand, mean float64) int {
	n, p, floor := 0, r.Float64(), math.Exp(-mean)
	for p > floor {
		p *= r.Float64()
		n++
	}
	return n
}

// choose returns one of the values.
func choose[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }
