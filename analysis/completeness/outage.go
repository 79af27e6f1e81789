package completeness

import (
	"cmp"
	"greywatt/analysis/event"
	"slices"

	"greywatt"
)

// An Outage is a gap that one or more needed channels have in common.
type Outage struct {
	Channels []greywatt.Channel // ascending
	Span     event.Span         // from the first channel's last reading to the last one's next
}

// Outages joins the gaps of channels that begin and end within five minutes of
// each other: a node that fell silent. They come in the order of their
// beginnings.
func (c *Result) Outages() []Outage {
	const apart = 300e6 // µs
	gaps := slices.Clone(c.Gaps)
	slices.SortFunc(gaps, func(a, b Gap) int {
		return cmp.Or(cmp.Compare(a.Span.From, b.Span.From), cmp.Compare(a.Span.To, b.Span.To), cmp.Compare(a.Channel, b.Channel))
	})
	near := func(a, b greywatt.Instant) bool { return max(a-b, b-a) <= apart }
	var out []Outage
	for _, g := range gaps {
		i := slices.IndexFunc(out, func(o Outage) bool {
			return near(o.Span.From, g.Span.From) && near(o.Span.To, g.Span.To) && !slices.Contains(o.Channels, g.Channel)
		})
		if i < 0 {
			out = append(out, Outage{[]greywatt.Channel{g.Channel}, g.Span})
			continue
		}
		o := &out[i]
		o.Channels = append(o.Channels, g.Channel)
		slices.Sort(o.Channels)
		o.Span.From, o.Span.To = min(o.Span.From, g.Span.From), max(o.Span.To, g.Span.To)
	}
	return out
}
