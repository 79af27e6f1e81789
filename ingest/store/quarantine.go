package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"hash/fnv"

	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// Flags of a row of table quarantine.
const (
	flagRetained = 1 << iota
	flagOwnNames
)

// AppendQuarantined keeps messages whole and returns once they are on disk: all
// of them, or, on error, none. A message that is there already is not kept again.
func (s *Store) AppendQuarantined(ctx context.Context, ms []ingest.Quarantined) error {
	if len(ms) == 0 {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	var added int64
	err := s.write(ctx, func(c *sqlite.Conn) error {
		for i := range ms {
			m := &ms[i]
			if m.Body == nil {
				m.Body = []byte{}
			}
			var flags int
			if m.Retained {
				flags |= flagRetained
			}
			if m.OwnNames {
				flags |= flagOwnNames
			}
			err := run(c, "INSERT INTO quarantine (hash, dwelling, node, reason, records, topic, at_us, flags, body) VALUES (?,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING",
				messageHash(m), cut(m.Dwelling), cut(m.Node), cut(string(m.Reason)), m.Records, m.Topic, m.At, flags, m.Body)
			if err != nil {
				return err
			}
			if c.Changes() > 0 {
				added += m.Size()
			}
		}
		return nil
	})
	if err == nil {
		s.quarantined.Add(added)
	}
	return err
}

// messageHash tells messages apart. Equal bodies that came at different times
// are two messages: their times may be relative to arrival.
func messageHash(m *ingest.Quarantined) int64 {
	h := fnv.New64a()
	var number [8]byte
	binary.LittleEndian.PutUint64(number[:], uint64(len(m.Topic)))
	h.Write(number[:])
	h.Write([]byte(m.Topic))
	binary.LittleEndian.PutUint64(number[:], uint64(m.At))
	h.Write(number[:])
	h.Write(m.Body)
	return int64(h.Sum64())
}

// QuarantineBytes returns what is in the quarantine, as [ingest.Quarantined.Size]
// counts it. It does not wait for anything. A store open for reading does not
// follow what others add.
func (s *Store) QuarantineBytes() int64 { return s.quarantined.Load() }

const quarantineBytes = "ifnull(sum(length(topic) + length(body) + 120), 0)"

// loadQuarantined reads how much is in the quarantine.
func (s *Store) loadQuarantined(c *sqlite.Conn) error {
	return query(c, "SELECT "+quarantineBytes+" FROM quarantine", func(r *sqlite.Stmt) error {
		s.quarantined.Store(r.ColumnInt64(0))
		return nil
	})
}

// hasQuarantine reports whether the file has the table: one of format 1 that is
// only read has not.
func hasQuarantine(c *sqlite.Conn) (bool, error) {
	n, err := integer(c, "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'quarantine'")
	return n > 0, err
}

// QuarantineCounts returns what is in the quarantine, sorted by dwelling, node and
// reason.
func (s *Store) QuarantineCounts(ctx context.Context) ([]ingest.QuarantineCount, error) {
	var counts []ingest.QuarantineCount
	err := s.read(ctx, func(c *sqlite.Conn) error {
		if has, err := hasQuarantine(c); err != nil || !has {
			return err
		}
		return query(c, "SELECT dwelling, node, reason, count(*), sum(records), "+quarantineBytes+", min(at_us), max(at_us) FROM quarantine GROUP BY 1, 2, 3 ORDER BY 1, 2, 3",
			func(r *sqlite.Stmt) error {
				counts = append(counts, ingest.QuarantineCount{
					Dwelling: r.ColumnText(0), Node: r.ColumnText(1), Reason: ingest.Reason(r.ColumnText(2)),
					Messages: r.ColumnInt64(3), Records: r.ColumnInt64(4), Bytes: r.ColumnInt64(5), First: instant(r, 6), Last: instant(r, 7),
				})
				return nil
			})
	})
	return counts, err
}

// Quarantined returns messages in the order of arrival, from the one after the
// given id on: at most so many, and about so many bytes.
func (s *Store) Quarantined(ctx context.Context, after int64, limit int, size int64) ([]ingest.Quarantined, error) {
	var ms []ingest.Quarantined
	err := s.read(ctx, func(c *sqlite.Conn) error {
		if has, err := hasQuarantine(c); err != nil || !has {
			return err
		}
		stmt, err := c.Prepare("SELECT id, dwelling, node, reason, records, topic, at_us, flags, body FROM quarantine WHERE id > ? ORDER BY id LIMIT ?")
		if err != nil {
			return err
		}
		defer stmt.Reset()
		stmt.BindInt64(1, after)
		stmt.BindInt64(2, int64(limit))
		for size > 0 {
			more, err := stmt.Step()
			if err != nil || !more {
				return err
			}
			flags := stmt.ColumnInt(7)
			m := ingest.Quarantined{
				ID: stmt.ColumnInt64(0), Dwelling: stmt.ColumnText(1), Node: stmt.ColumnText(2), Reason: ingest.Reason(stmt.ColumnText(3)),
				Records: stmt.ColumnInt64(4), Topic: stmt.ColumnText(5), At: instant(stmt, 6),
				Retained: flags&flagRetained != 0, OwnNames: flags&flagOwnNames != 0, Body: make([]byte, stmt.ColumnLen(8)),
			}
			stmt.ColumnBytes(8, m.Body)
			size -= m.Size()
			ms = append(ms, m)
		}
		return nil
	})
	return ms, err
}

// SettleQuarantined drops messages of which all is stored, or nothing is wanted
// any more, and notes of others what still does not fit.
func (s *Store) SettleQuarantined(ctx context.Context, settled []int64, still []ingest.Quarantined) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.write(ctx, func(c *sqlite.Conn) error {
		for _, id := range settled {
			if err := run(c, "DELETE FROM quarantine WHERE id = ?", id); err != nil {
				return err
			}
		}
		for i := range still {
			m := &still[i]
			err := run(c, "UPDATE quarantine SET dwelling = ?, node = ?, reason = ?, records = ? WHERE id = ?",
				cut(m.Dwelling), cut(m.Node), cut(string(m.Reason)), m.Records, m.ID)
			if err != nil {
				return err
			}
		}
		return s.loadQuarantined(c)
	})
}

// eraseQuarantined removes the messages that are the dwelling's or name it. A
// message that names others too goes as a whole.
func eraseQuarantined(c *sqlite.Conn, dwelling string) error {
	var ids []int64
	err := query(c, "SELECT id, dwelling, topic, body FROM quarantine WHERE dwelling = ?1 OR instr(topic, ?1) OR instr(body, CAST(?1 AS BLOB))", func(r *sqlite.Stmt) error {
		body := make([]byte, r.ColumnLen(3))
		r.ColumnBytes(3, body)
		// Around a text of CBOR stand bytes that look like letters.
		binary := len(bytes.TrimLeft(body, " \t\r\n[{")) == len(body)
		if r.ColumnText(1) == dwelling || ingest.Mentions(r.ColumnText(2), dwelling) || binary && bytes.Contains(body, []byte(dwelling)) || ingest.Mentions(string(body), dwelling) {
			ids = append(ids, r.ColumnInt64(0))
		}
		return nil
	}, dwelling)
	if err != nil {
		return err
	}
	return deleteIDs(c, "quarantine", ids)
}
