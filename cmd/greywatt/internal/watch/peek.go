package watch

import (
	"context"
	"time"

	"greywatt"
	"greywatt/analysis/event"
)

// survey counts readings and says when water last ran, zero for not at all.
func survey(frames []greywatt.Frame) (n int64, flowed greywatt.Instant) {
	for i := range frames {
		fr := &frames[i]
		for _, v := range fr.Value {
			if v == v {
				n++
			}
		}
		if fr.Value[greywatt.Flow] >= flowing {
			flowed = fr.At
		}
	}
	return n, flowed
}

// ahead shows what is not analysed yet, counts it, and notes when water ran.
func (f *follower) ahead(ctx context.Context) (beyond int64, err error) {
	f.flowed = f.reading.lastFlow
	_, err = f.each(ctx, f.reading.next, 0, func(frames []greywatt.Frame) error {
		n, flowed := survey(frames)
		beyond += n
		f.flowed = max(f.flowed, flowed)
		f.w.cfg.View.ShowFrames(f.dwelling.ID, frames)
		return nil
	})
	return beyond, err
}

// peek looks at what is not analysed yet: for water that runs, whose figures so
// far it works out, and for readings of a time that is passed, of which the log
// has more than were analysed and are still to come. h was taken before, so that
// what came since does not count.
func (f *follower) peek(ctx context.Context, h Inventory) error {
	beyond, err := f.ahead(ctx)
	if err != nil {
		return err
	}
	now := f.w.cfg.Now()
	f.peeked, f.lookedBack = h.stamp(), now
	if h.Readings > f.reading.pushed+beyond+f.reading.unread && f.lateSince.IsZero() {
		f.lateSince = now
	}
	switch {
	case h.Newest.Sub(f.flowed) > provisionalS:
		f.found.Provisional = nil
	case !f.w.cfg.Busy():
		return f.provisional(ctx, h.Newest)
	}
	return nil
}

// provisional works out the figures so far of the water that runs.
func (f *follower) provisional(ctx context.Context, newest greywatt.Instant) error {
	start := time.Now()
	a := event.NewAnalyser(f.w.cfg.Study, f.dwelling)
	if _, err := f.each(ctx, newest.Add(-provisionalLeadS), 0, func(frames []greywatt.Frame) error {
		a.Push(frames)
		return nil
	}); err != nil {
		return err
	}
	f.found.Provisional = nil
	events := a.Close()
	if n := len(events); n > 0 && newest.Sub(events[n-1].End) <= provisionalS {
		f.found.Provisional = &events[n-1]
	}
	f.w.cfg.OnAnalysis(ProvisionalAnalysis, time.Since(start))
	return nil
}
