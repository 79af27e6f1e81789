package files

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
)

// A rowDecoder reads the rows of a table.
type rowDecoder struct {
	*table
	resolver *payload.Resolver
	stated   place // of a row that does not say
	now      greywatt.Instant

	cells [][]byte // of the row at hand
	last  place    // of the row before, to spare its strings

	scratch []byte
}

// A place is what the readings of a row are of.
type place struct{ dwelling, node string }

// A fault is why a row or cell is refused.
type fault struct {
	dwelling string
	reason   ingest.Reason
	detail   string
}

func newRowDecoder(t *table, o Options) *rowDecoder {
	return &rowDecoder{table: t, resolver: o.Resolver, stated: place{o.Dwelling, o.Node}, now: o.Now}
}

// decode reads a row: each of its cells becomes a reading, or, where it is
// empty, nothing. A row of which the place or time cannot be used is refused
// whole, any other cell by itself.
func (d *rowDecoder) decode(readings []greywatt.Reading, rejected []ingest.RejectedRecord, line []byte) ([]greywatt.Reading, []ingest.RejectedRecord) {
	p, at, f := d.row(line)
	if f != nil {
		return readings, append(rejected, f.rejectedRecord(line))
	}
	for i, c := range d.columns {
		if c.role < roleCelsius {
			continue
		}
		cell := bytes.TrimSpace(d.cells[i])
		if len(cell) == 0 {
			continue
		}
		v, reason, detail := c.value(cell)
		if reason != "" {
			f := fault{p.dwelling, reason, "column " + c.name + ": " + detail}
			rejected = append(rejected, f.rejectedRecord(line))
			continue
		}
		readings = append(readings, greywatt.Reading{Dwelling: p.dwelling, Node: p.node, Channel: c.channel, At: at, Value: v})
	}
	return readings, rejected
}

func (f *fault) rejectedRecord(line []byte) ingest.RejectedRecord {
	return ingest.RejectedRecord{Dwelling: f.dwelling, Reason: f.reason, Detail: f.detail, Record: payload.Excerpt(line)}
}

// row takes a line apart and reads what all its cells have in common.
func (d *rowDecoder) row(line []byte) (place, greywatt.Instant, *fault) {
	if why := d.split(line); why != "" {
		return place{}, 0, &fault{d.stated.dwelling, ingest.BadColumn, why}
	}
	p, f := d.place()
	if f != nil {
		return place{}, 0, f
	}
	at, reason, detail := d.instant(bytes.TrimSpace(d.cells[d.time]))
	if reason != "" {
		return place{}, 0, &fault{p.dwelling, reason, "column time: " + detail}
	}
	return p, at, nil
}

// split cuts a line into cells and says why it cannot.
func (d *rowDecoder) split(line []byte) (why string) {
	d.cells = d.cells[:0]
	if bytes.IndexByte(line, '"') < 0 {
		for {
			i := bytes.IndexByte(line, ',')
			if i < 0 {
				break
			}
			d.cells = append(d.cells, line[:i])
			line = line[i+1:]
		}
		d.cells = append(d.cells, line)
	} else {
		r := csv.NewReader(bytes.NewReader(line))
		r.FieldsPerRecord = -1
		cells, err := r.Read()
		if err != nil {
			return "a quoted cell does not end in its line, or has a bare quote in it"
		}
		for _, c := range cells {
			d.cells = append(d.cells, []byte(c))
		}
	}
	if len(d.cells) != len(d.columns) {
		return fmt.Sprintf("%d cells, and the header has %d columns", len(d.cells), len(d.columns))
	}
	return ""
}

// place returns the dwelling and node of the row at hand.
func (d *rowDecoder) place() (place, *fault) {
	dwelling, node := d.cell(d.dwelling), d.cell(d.node)
	if len(dwelling) == 0 && len(node) == 0 && d.stated.dwelling != "" {
		return d.stated, nil
	}
	if len(dwelling) > 0 && string(dwelling) == d.last.dwelling && (string(node) == d.last.node || len(node) == 0 && d.last.node == d.stated.node) {
		return d.last, nil
	}
	p := d.stated
	if len(dwelling) > 0 {
		p.dwelling = string(dwelling)
	}
	if len(node) > 0 {
		p.node = string(node)
	}
	if p.dwelling == "" {
		return place{}, &fault{"", ingest.BadName, "column dwelling is empty; fill it in, or say which dwelling the file is of with --dwelling ID"}
	}
	for _, id := range []string{p.dwelling, p.node} {
		if err := payload.CheckID(id); err != nil {
			return place{}, &fault{"", ingest.BadName, err.Error()}
		}
	}
	if !d.resolver.Knows(p.dwelling) {
		return place{}, &fault{p.dwelling, ingest.UnknownDwelling, fmt.Sprintf("dwelling %q is not in the study", p.dwelling)}
	}
	d.last = p
	return p, nil
}

// cell returns a cell of the row at hand, nil where there is no such column.
func (d *rowDecoder) cell(i int) []byte {
	if i < 0 {
		return nil
	}
	return bytes.TrimSpace(d.cells[i])
}

// instant reads a time: RFC 3339 with its zone, or Unix seconds.
func (d *rowDecoder) instant(cell []byte) (at greywatt.Instant, reason ingest.Reason, detail string) {
	if len(cell) > 10 && cell[4] == '-' {
		var t time.Time
		d.scratch = append(d.scratch[:0], cell...)
		if cell[10] == ' ' {
			d.scratch[10] = 'T' // RFC 3339 section 5.6 allows a blank for readability
		}
		if t.UnmarshalText(d.scratch) == nil {
			at = greywatt.InstantOf(t)
			reason, detail = payload.CheckInstant(at, d.now)
			return at, reason, detail
		}
	} else if seconds, ok := payload.Decimal(cell); ok {
		return payload.CheckTime(seconds, d.now)
	}
	return 0, ingest.BadTime, fmt.Sprintf("%q is neither RFC 3339 with a zone, such as 2026-01-12T06:30:00Z, nor Unix seconds", payload.Excerpt(cell))
}

// value reads a cell, which is not empty, in the channel's stored unit.
//
// l/min become l/s by the one division, correctly rounded: the same cell is
// the same number in every file, and times 60, to nine decimals, it is the cell
// again.
func (c column) value(cell []byte) (v float64, reason ingest.Reason, detail string) {
	v, ok := payload.Decimal(cell)
	if !ok {
		detail = fmt.Sprintf("%q is not a number", payload.Excerpt(cell))
		if bytes.IndexByte(cell, ',') >= 0 {
			detail += "; write '.' for the decimal comma"
		}
		return 0, ingest.NoNumber, detail
	}
	stored := v
	if c.role == roleLitresPerMinute {
		stored = v / 60
	}
	if !c.channel.Plausible(stored) {
		if c.role == roleLitresPerMinute {
			return 0, ingest.AbsurdValue, fmt.Sprintf("%.6g l/min is outside -60 to 300 l/min", v)
		}
		return 0, ingest.AbsurdValue, fmt.Sprintf("%.6g Cel is outside -30 to 120 Cel", v)
	}
	return stored, "", ""
}
