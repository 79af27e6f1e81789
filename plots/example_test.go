package plots_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/plots"
)

func ExampleWrite() {
	start := greywatt.InstantOf(time.Date(2026, 7, 14, 6, 12, 31, 0, time.UTC))
	e := plots.EventChart{Event: event.Event{
		Dwelling: "larch-04", Connection: greywatt.ConnectionA, Kind: event.Shower,
		Start: start, End: start.Add(90),
		Effectiveness: 0.537, EffectivenessU95: 0.031, HeatKWh: math.NaN(),
	}}
	for t := 0.0; t <= 90; t++ {
		e.Trace.At = append(e.Trace.At, start.Add(t))
		e.Trace.FlowLMin = append(e.Trace.FlowLMin, 8)
		for ch, c := range []float64{37, 23, 11, 25} {
			e.Trace.Port[ch] = append(e.Trace.Port[ch], c)
		}
	}
	var svg bytes.Buffer
	if err := plots.Write(&svg, plots.Output{Width: 900, Height: 600}, e); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return
	}
	for line := range strings.Lines(svg.String()) {
		if strings.HasPrefix(line, "<title>") {
			fmt.Print(line)
		}
	}
	// Output:
	// <title>larch-04: shower, connection A, Tuesday 14 July 2026, 06:12:31 to 06:14:01 (UTC)</title>
}
