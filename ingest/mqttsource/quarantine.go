package mqttsource

import (
	"bytes"

	"greywatt/ingest"
)

// mendable says whether records rejected for a reason may be stored once the
// study file, a unit or a clock is mended.
func mendable(r ingest.Reason) bool {
	switch r {
	case ingest.UnknownDwelling, ingest.UnknownChannel, ingest.BadUnit, ingest.BadTime, ingest.FutureTime:
		return true
	}
	return false
}

// keepWhole returns m as the message to be kept because of what d has rejected of
// it, nil where that need not be. A channel that nobody knows, beside others that
// are known, is one that the study does not want.
func (c *Committer) keepWhole(d *decoder, m ingest.Quarantined, body []byte) *ingest.Quarantined {
	if c.cfg.Quarantine == nil || c.cfg.QuarantineBytes < 0 || !describe(&m, d.rejected, len(d.readings) > 0) {
		return nil
	}
	m.Body = bytes.Clone(body)
	return &m
}

// describe notes in m what of it does not fit and may yet be mended. It reports
// whether anything is.
func describe(m *ingest.Quarantined, rejected []ingest.RejectedRecord, some bool) bool {
	m.Reason, m.Records = "", 0
	for i := range rejected {
		r := &rejected[i]
		if !mendable(r.Reason) || some && r.Reason == ingest.UnknownChannel {
			continue
		}
		if m.Reason == "" || m.Reason == ingest.UnknownChannel {
			m.Reason = r.Reason
			if r.Dwelling != "" && r.Dwelling != m.Dwelling {
				m.Dwelling, m.Node = r.Dwelling, ""
			}
		}
		m.Records += 1 + r.More
	}
	return m.Records > 0
}

// hasQuarantineFor reports whether there is room for m. Of what is as likely
// nobody's the quarantine keeps no more than fills half of it. The caller holds c.mu.
func (c *Committer) hasQuarantineFor(m *ingest.Quarantined) bool {
	room := c.cfg.QuarantineBytes
	if m.Reason == ingest.UnknownChannel {
		room /= 2
	}
	return c.cfg.Quarantine.QuarantineBytes()+c.toQuarantine+m.Size() <= room
}
