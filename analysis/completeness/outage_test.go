package completeness

import (
	"fmt"
	"math"
	"testing"

	"greywatt"
)

// frame has the channels of the four clamps and the flow but those left out.
func frame(at greywatt.Instant, without ...greywatt.Channel) greywatt.Frame {
	f := greywatt.Frame{At: at, Node: "n", Value: greywatt.NoValues()}
	for c := greywatt.WasteIn; c <= greywatt.Flow; c++ {
		f.Value[c] = 10
	}
	for _, c := range without {
		f.Value[c] = math.NaN()
	}
	return f
}

// Ten hours from 00:00, a reading a minute: all silent from 02:30 to 04:30,
// cold-in silent from 06:00 to 08:00. Complete are the hours 0, 1, 2, 4, 5, 8
// and 9.
func TestOutages(t *testing.T) {
	const minute, hour = 60.0, 3600.0
	start := greywatt.InstantOfUnix(1772409600) // 2026-03-02T00:00Z
	var v Counter
	for m := 0.0; m < 600; m++ {
		switch {
		case m > 150 && m < 270:
		case m >= 360 && m < 480:
			v.Push([]greywatt.Frame{frame(start.Add(m*minute), greywatt.ColdIn)})
		default:
			v.Push([]greywatt.Frame{frame(start.Add(m * minute))})
		}
	}
	c := v.Result()
	if c.Share != 0.7 {
		t.Errorf("share %g, want 0.7", c.Share)
	}
	if got := c.ShareOf(start.Add(2*hour), start.Add(6*hour)); got != 0.75 {
		t.Errorf("share of 02:00 to 06:00 %g, want 0.75", got)
	}
	if got := c.ShareOf(start, start.Add(14*hour)); got != 0.5 {
		t.Errorf("share of 14 h %g, want 0.5: silence after the last reading counts", got)
	}
	if !math.IsNaN(c.ShareOf(start, start)) {
		t.Error("a share of no time")
	}
	got := ""
	for _, o := range c.Outages() {
		got += fmt.Sprintf("%v %.0f-%.0f; ", o.Channels, o.Span.From.Sub(start)/minute, o.Span.To.Sub(start)/minute)
	}
	if want := "[waste-in waste-out cold-in preheat-out flow] 150-270; [cold-in] 359-480; "; got != want {
		t.Errorf("outages %s\nwant %s", got, want)
	}
	v.Push([]greywatt.Frame{frame(start.Add(20 * hour))})
	if len(c.Complete) != 3 || len(c.Gaps) != 6 {
		t.Error("a result changed by what came after")
	}
}

func TestCoverage(t *testing.T) {
	var v Counter
	frame := func(minute int) greywatt.Frame {
		f := greywatt.Frame{At: greywatt.Instant(1_700_000_400_000_000).Add(float64(minute) * 60), Value: greywatt.NoValues()}
		for c := range 5 {
			f.Value[c] = 20
		}
		return f
	}
	for m := 0; m < 600; m++ {
		if m >= 200 && m < 380 { // three hours of silence
			continue
		}
		v.Push([]greywatt.Frame{frame(m)})
	}
	c := v.Result()
	if c.Readings != 420*5 || len(c.Gaps) != 5 || math.Abs(c.Gaps[0].Span.Seconds()-181*60) > 1 {
		t.Errorf("%d readings, gaps %v", c.Readings, c.Gaps)
	}
	if c.Share < 0.7 || c.Share > 0.85 { // 8 or 9 of 11 clock hours, as they fall
		t.Errorf("share %.2f", c.Share)
	}
}

// Ten hours with readings but from 02:10 to 06:50. Left out are 02:30 to 05:10, which
// the hours 2 to 5 share: of the six others five are complete, and what is left of
// the gap is 1 h 40 min at its end; the twenty minutes at its beginning are no gap.
func TestWithout(t *testing.T) {
	const minute = 60.0
	start := greywatt.InstantOfUnix(1772409600) // 2026-03-02T00:00Z
	var v Counter
	for m := 0.0; m < 600; m++ {
		if m <= 130 || m >= 410 {
			v.Push([]greywatt.Frame{frame(start.Add(m * minute))})
		}
	}
	whole := v.Result()
	if whole.Share != 0.7 { // 0, 1, 2 and 6 to 9
		t.Errorf("share %g, want 0.7", whole.Share)
	}
	at := func(m float64) greywatt.Instant { return start.Add(m * minute) }
	c := whole.Without([]greywatt.LeftOut{{From: at(-500), To: at(-400)}, {From: at(150), To: at(200)}, {From: at(190), To: at(310)}, {From: at(900), To: at(901)}})
	if want := 6.0 / 6; c.Share != want {
		t.Errorf("share %g, want %g: 0, 1 and 6 to 9 of the hours but 2 to 5", c.Share, want)
	}
	if out := c.Outages(); len(out) != 1 || len(out[0].Channels) != 5 || out[0].Span.From != at(310) || out[0].Span.To != at(410) {
		t.Errorf("outages %v", out)
	}
	if got := c.ShareOf(at(60), at(420)); got != 1 {
		t.Errorf("share of 01:00 to 07:00 %g, want 1: two hours, both complete", got)
	}
	if complete, counted := c.TimeOf(at(60), at(480)); complete != 3*3600 || counted != 3*3600 {
		t.Errorf("of 01:00 to 08:00 %g s are complete of %g s, want three hours of three: 01:00, 06:00 and 07:00", complete, counted)
	}
	if complete, counted := c.TimeOf(at(180), at(240)); complete != 0 || counted != 0 {
		t.Errorf("of an hour left out %g s are complete of %g s, want none of none", complete, counted)
	}
	if !math.IsNaN(c.ShareOf(at(180), at(240))) {
		t.Error("a share of what is left out")
	}
	if again := v.Result(); again.Share != 0.7 || len(again.Gaps) != 5 || len(again.Complete) != len(whole.Complete) {
		t.Errorf("the count itself has changed: %+v", again)
	}
}
