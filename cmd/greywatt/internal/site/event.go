package site

import (
	"context"
	"fmt"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/cli"
)

// TraceEvent analyses the readings around one event.
func TraceEvent(ctx context.Context, from FrameSource, s *greywatt.Study, id string) (event.Event, event.Trace, error) {
	none := func(err error) (event.Event, event.Trace, error) {
		return event.Event{}, event.Trace{}, err
	}
	dwelling, start, err := SplitEventID(id)
	if err != nil {
		return none(err)
	}
	d, ok := s.Dwelling(dwelling)
	if !ok {
		return none(NoDwelling(s, dwelling))
	}
	around := Period{From: start, To: start.Add(1)}
	var frames []greywatt.Frame
	for batch, err := range from.Frames(ctx, d.ID, around.runIn(), around.runOut()) {
		if err != nil {
			return none(fmt.Errorf("dwelling %s: %w", d.ID, err))
		}
		frames = append(frames, batch...)
	}
	event, trace, found := event.TraceEvent(s, d, frames, id)
	if !found {
		return none(fmt.Errorf("no event %s; greywatt events --dwelling %s lists those there are", id, d.ID))
	}
	return event, trace, nil
}

// SplitEventID takes an event's id apart: its dwelling and its start, to the
// second.
func SplitEventID(id string) (dwelling string, start greywatt.Instant, err error) {
	i := strings.LastIndexByte(id, '-')
	if i < 0 {
		return "", 0, cli.Usagef("%q is no event's id; greywatt events lists them", id)
	}
	at, err := time.Parse("20060102T150405Z", id[i+1:])
	if err != nil {
		return "", 0, cli.Usagef("%q is no event's id; greywatt events lists them", id)
	}
	return id[:i], greywatt.InstantOf(at), nil
}
