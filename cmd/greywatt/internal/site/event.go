package site

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/cli"
)

// TraceEvent analyses the readings around one event. Damaged parts among them
// are skipped, as in the list of events, and named on the console.
func TraceEvent(ctx context.Context, con *cli.Console, from FrameSource, s *greywatt.Study, id string) (event.Event, event.Trace, error) {
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
	first, last := Period{From: start, To: start.Add(1)}.Around()
	e, trace, damaged, err := analysis.Trace(s, d, from.Frames(ctx, d.ID, first, last), id)
	for _, part := range damaged {
		fmt.Fprintln(con.Err, part)
	}
	switch {
	case ctx.Err() != nil:
		return none(ctx.Err())
	case errors.Is(err, analysis.ErrNoEvent):
		return none(fmt.Errorf("no event %s; greywatt events --dwelling %s lists those there are", id, d.ID))
	}
	return e, trace, err
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
