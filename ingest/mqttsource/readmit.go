package mqttsource

import (
	"context"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
)

// A QuarantineStore is a store with a quarantine.
type QuarantineStore interface {
	Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error)
	AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error
	Quarantined(ctx context.Context, after int64, limit int, size int64) ([]ingest.Quarantined, error)
	SettleQuarantined(ctx context.Context, settled []int64, still []ingest.Quarantined) error
}

// A Readmitter takes up what is in the quarantine and can now be stored.
type Readmitter struct {
	Prefix   string            // of the topics
	Resolver *payload.Resolver // of names, as the study has them now
	Foreign  Foreign           // of other topics; nil: they stay
	// OwnClock is the time now where the logger's own clock was behind when the
	// messages came: what nodes stated then is right. Otherwise, 0, a time that was
	// more than a day ahead of its arrival stays.
	OwnClock greywatt.Instant
	// Shift returns what a time that was rejected, in Unix seconds, is to be taken for.
	Shift func(dwelling, node string, seconds float64) float64
	Units func(dwelling, node string, c greywatt.Channel) string // as in [payload.Origin]
}

// A Readmission says what came of the quarantine.
type Readmission struct {
	ingest.Counts     // of readings
	Settled       int // messages that are not kept any more
	Kept          int // messages that stay
}

// How much is taken up in one commit.
const (
	readmitMessages = 1000
	readmitBytes    = 4 << 20
)

// Run goes through the quarantine once. What is stored leaves it afterwards, so
// that nothing is lost or stored twice wherever it is interrupted.
func (r *Readmitter) Run(ctx context.Context, st QuarantineStore) (sum Readmission, err error) {
	d := payload.NewDecoder(r.Resolver)
	after := int64(0)
	for {
		ms, err := st.Quarantined(ctx, after, readmitMessages, readmitBytes)
		if err != nil || len(ms) == 0 {
			return sum, err
		}
		after = ms[len(ms)-1].ID
		var readings []greywatt.Reading
		var rejected []ingest.RejectedRecord
		var settled []int64
		var still []ingest.Quarantined
		for _, m := range ms {
			rs, no := r.decode(d, &m)
			readings = append(readings, rs...)
			for i := range no {
				if !mendable(no[i].Reason) { // it was hidden by what is mended
					rejected = append(rejected, no[i])
				}
			}
			was := m
			switch {
			case !describe(&m, no, len(rs) > 0):
				settled = append(settled, m.ID)
			case m.Dwelling != was.Dwelling || m.Reason != was.Reason || m.Records != was.Records:
				still = append(still, m)
			}
		}
		counts, err := st.Append(ctx, readings)
		if err == nil {
			err = st.AppendRejected(ctx, rejected)
		}
		if err == nil && len(settled)+len(still) > 0 {
			err = st.SettleQuarantined(ctx, settled, still)
		}
		if err != nil {
			return sum, err
		}
		sum.Add(counts)
		sum.Settled += len(settled)
		sum.Kept += len(ms) - len(settled)
	}
}

func (r *Readmitter) decode(d *payload.Decoder, m *ingest.Quarantined) ([]greywatt.Reading, []ingest.RejectedRecord) {
	t, err := payload.ParseTopic(r.Prefix, m.Topic)
	switch {
	case err == nil && t.Kind == payload.SenML:
		o := payload.Origin{Source: m.Topic, Dwelling: t.Dwelling, Node: t.Node, OwnNames: m.OwnNames, Latest: r.OwnClock, Units: r.Units}
		if r.Shift != nil {
			o.Shift = func(dwelling, node string, seconds float64) float64 {
				if _, reason, _ := payload.CheckTime(seconds, m.At); reason == "" {
					return seconds
				}
				return r.Shift(dwelling, node, seconds)
			}
		}
		return d.Decode(nil, nil, o, m.Body, m.At)
	case err != nil && r.Foreign != nil:
		arrived := m.At
		if m.Reason == ingest.FutureTime {
			arrived = max(arrived, r.OwnClock)
		}
		if rs, rejected, ok := r.Foreign.Decode(nil, nil, m.Topic, m.Body, arrived, m.Retained); ok {
			return rs, rejected
		}
	}
	return nil, []ingest.RejectedRecord{{Source: m.Topic, Dwelling: m.Dwelling, Reason: m.Reason, More: m.Records - 1}}
}
