package main

import (
	"math"
	"time"

	"greywatt"
)

// sensors are what is clamped to the pipes.
type sensors interface {
	// read returns what they show at an uptime, which never goes back: °C and
	// l/s, NaN where there is none. io.EOF ends the run.
	read(uptime time.Duration) (greywatt.Values, error)
}

// A fitting leaves out the channels that the node does not carry.
type fitting struct {
	sensors
	carries [greywatt.NumChannels]bool
}

func (f fitting) read(uptime time.Duration) (greywatt.Values, error) {
	v, err := f.sensors.read(uptime)
	for c := range v {
		if !f.carries[c] {
			v[c] = math.NaN()
		}
	}
	return v, err
}
