package publish

import (
	"context"
	"time"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/ingest/payload"
)

// Live lets the nodes of a house publish what they measure from from on,
// each frame when the clock has come to it.
func Live(ctx context.Context, url string, h *simulate.House, from greywatt.Instant, clock func() time.Time, pace time.Duration) error {
	nodes := map[string]*Node{}
	defer func() {
		for _, n := range nodes {
			n.Client.Disconnect(DisconnectWait)
		}
	}()
	for frame := range h.Frames(nil) {
		if frame.At < from {
			continue
		}
		if wait := frame.At.Time().Sub(clock()); wait > 0 {
			for _, n := range nodes {
				if err := n.Publish(); err != nil {
					return err
				}
			}
			select {
			case <-time.After(wait / pace):
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		n := nodes[frame.Node]
		if n == nil {
			var err error
			if n, err = Connect(url, payload.Topic{Dwelling: h.Dwelling.ID, Node: frame.Node}, payload.DefaultPrefix); err != nil {
				return err
			}
			nodes[frame.Node] = n
		}
		if err := n.take(&frame); err != nil {
			return err
		}
	}
	return nil
}
