package mqttsource

import (
	"fmt"
	"runtime/debug"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
)

// decode fills d with what a message holds, or with why it cannot be used.
func (c *Committer) decode(d *decoder, topic string, body []byte, retained bool) (ps []ingest.Presence, clock clockSample, whole *ingest.Quarantined) {
	d.readings, d.rejected, d.counted = d.readings[:0], d.rejected[:0], numbered{}
	now := greywatt.InstantOf(c.cfg.Now())
	t, err := payload.ParseTopic(c.cfg.Prefix, topic)
	reject := func(reason ingest.Reason, detail string) {
		d.readings = d.readings[:0]
		d.rejected = append(d.rejected[:0], ingest.RejectedRecord{
			Source: topic, Dwelling: t.Dwelling, Reason: reason, Detail: detail, Record: payload.Excerpt(body), At: now,
		})
	}
	// A message that brings the decoder down must not do so again each time the
	// broker sends it.
	defer func() {
		if p := recover(); p != nil {
			c.cfg.Logger.Error("a message could not be decoded; please report this", "topic", topic, "panic", p, "stack", string(debug.Stack()))
			d.Decoder = payload.NewDecoder(c.cfg.Resolver)
			reject(ingest.BadPayload, fmt.Sprintf("the decoder failed on it: %v", p))
		}
	}()
	if err != nil && c.cfg.Foreign != nil && len(body) <= c.cfg.MaxPack {
		var ok bool
		if d.readings, d.rejected, ok = c.cfg.Foreign.Decode(d.readings, d.rejected, topic, body, now, retained); ok {
			if len(d.readings) == 0 { // else what a counter adds up to would be told twice
				whole = c.keepWhole(d, ingest.Quarantined{Topic: topic, At: now, Retained: retained}, body)
			}
			return nil, clock, whole
		}
	}
	switch {
	case err != nil:
		reject(ingest.WrongTopic, err.Error())
	case len(body) > c.cfg.MaxPack:
		reject(ingest.BadPayload, fmt.Sprintf("%d bytes in one message; send packs of at most %d", len(body), c.cfg.MaxPack))
	case t.Kind == payload.SenML:
		o := payload.Origin{Source: topic, Dwelling: t.Dwelling, Node: t.Node, OwnNames: c.cfg.OwnNames}
		d.readings, d.rejected = d.Decode(d.readings, d.rejected, o, body, now)
		if newest, relative := d.Newest(); newest == newest && c.cfg.Resolver.Knows(t.Dwelling) {
			clock = clockSample{nodeKey{t.Dwelling, t.Node}, now, float64(now)/1e6 - newest, relative}
		}
		if c.cfg.Notes != nil && c.cfg.Resolver.Knows(t.Dwelling) {
			d.counted = numbered{nodeKey{t.Dwelling, t.Node}, d.Sequence(), now}
		}
		whole = c.keepWhole(d, ingest.Quarantined{Topic: topic, At: now, Retained: retained, OwnNames: c.cfg.OwnNames, Dwelling: t.Dwelling, Node: t.Node}, body)
	case !c.cfg.Resolver.Knows(t.Dwelling):
		reject(ingest.UnknownDwelling, fmt.Sprintf("dwelling %q is not in the study", t.Dwelling))
	default:
		up, err := payload.ParsePresence(body)
		if err != nil {
			reject(ingest.BadPayload, err.Error())
			break
		}
		ps = []ingest.Presence{{Dwelling: t.Dwelling, Node: t.Node, Up: up, Since: now}}
	}
	return ps, clock, whole
}
