package store

import (
	"context"
	"encoding/binary"
	"hash/fnv"
	"strings"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

const (
	// maxText bounds each text of a rejected record, in bytes, in case its maker did not.
	maxText = 2048
	// hashesPerRecord is how many times more rejected records are known again than are
	// kept in full.
	hashesPerRecord = 100
	// maxRejectedCounts bounds the rows of the count, which a stranger could
	// otherwise grow at will by inventing dwellings; what is beyond counts for
	// the dwelling "".
	maxRejectedCounts = 10_000
)

// AppendRejected stores rejected records and returns once they are on disk. A rejected record with
// the source, reason and record of an earlier one is the same one and changes
// nothing; that holds for the newest million or so (a hundred times
// [Options.MaxRejected]).
func (s *Store) AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error {
	if len(rs) == 0 {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.write(ctx, func(c *sqlite.Conn) error {
		for i := range rs {
			if err := appendRejected(c, &rs[i]); err != nil {
				return err
			}
		}
		// Ids only grow, so the newest n are those above the highest minus n.
		if err := run(c, "UPDATE refusal SET source = NULL, detail = NULL, record = NULL, at_us = NULL WHERE source IS NOT NULL AND id <= (SELECT max(id) FROM refusal) - ?", s.opts.MaxRejected); err != nil {
			return err
		}
		return run(c, "DELETE FROM refusal WHERE id <= (SELECT max(id) FROM refusal) - ?", s.opts.MaxRejected*hashesPerRecord)
	})
}

func appendRejected(c *sqlite.Conn, r *ingest.RejectedRecord) error {
	dwelling, reason := cut(r.Dwelling), cut(string(r.Reason))
	err := run(c, "INSERT INTO refusal (hash, dwelling, reason, source, detail, record, at_us) VALUES (?,?,?,?,?,?,?) ON CONFLICT DO NOTHING",
		recordHash(r), dwelling, reason, cut(r.Source), cut(r.Detail), cut(r.Record), r.At)
	if err != nil || c.Changes() == 0 {
		return err
	}
	return run(c, `INSERT INTO refusal_count (dwelling, reason, n)
		SELECT iif((SELECT count(*) FROM refusal_count) < ?3 OR EXISTS (SELECT 1 FROM refusal_count WHERE dwelling = ?1 AND reason = ?2), ?1, ''), ?2, ?4
		WHERE true ON CONFLICT DO UPDATE SET n = n + ?4`, dwelling, reason, maxRejectedCounts, 1+r.More)
}

func recordHash(r *ingest.RejectedRecord) int64 {
	h := fnv.New64a()
	for _, part := range []string{r.Source, string(r.Reason), r.Record} {
		var length [8]byte
		binary.LittleEndian.PutUint64(length[:], uint64(len(part)))
		h.Write(length[:])
		h.Write([]byte(part))
	}
	return int64(h.Sum64())
}

func cut(s string) string { return strings.ToValidUTF8(s[:min(len(s), maxText)], "\uFFFD") }

// Rejected returns the newest rejected records, newest first, at most limit of them,
// all that are kept if limit is negative.
func (s *Store) Rejected(ctx context.Context, limit int) ([]ingest.RejectedRecord, error) {
	var rs []ingest.RejectedRecord
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT source, dwelling, reason, detail, record, at_us FROM refusal WHERE source IS NOT NULL ORDER BY id DESC LIMIT ?",
			func(r *sqlite.Stmt) error {
				rs = append(rs, ingest.RejectedRecord{
					Source: r.ColumnText(0), Dwelling: r.ColumnText(1), Reason: ingest.Reason(r.ColumnText(2)),
					Detail: r.ColumnText(3), Record: r.ColumnText(4), At: instant(r, 5),
				})
				return nil
			}, limit)
	})
	return rs, err
}

// RejectedCounts returns the counts, sorted by dwelling and reason.
func (s *Store) RejectedCounts(ctx context.Context) ([]ingest.RejectedCount, error) {
	var counts []ingest.RejectedCount
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT dwelling, reason, n FROM refusal_count ORDER BY 1, 2", func(r *sqlite.Stmt) error {
			counts = append(counts, ingest.RejectedCount{Dwelling: r.ColumnText(0), Reason: ingest.Reason(r.ColumnText(1)), N: r.ColumnInt64(2)})
			return nil
		})
	})
	return counts, err
}

// Conflicts returns the newest conflicts, newest first, at most limit of them,
// all that are kept if limit is negative. [ingest.NodeSummary] has their number.
func (s *Store) Conflicts(ctx context.Context, limit int) ([]ingest.Conflict, error) {
	var cs []ingest.Conflict
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT d.name, n.name, channel, at_us, refused, kept FROM conflict JOIN node n ON n.id = conflict.node JOIN dwelling d ON d.id = n.dwelling ORDER BY conflict.id DESC LIMIT ?",
			func(r *sqlite.Stmt) error {
				cs = append(cs, ingest.Conflict{
					Reading: greywatt.Reading{
						Dwelling: r.ColumnText(0), Node: r.ColumnText(1), Channel: greywatt.Channel(r.ColumnInt(2)),
						At: instant(r, 3), Value: r.ColumnFloat(4),
					},
					Kept: r.ColumnFloat(5),
				})
				return nil
			}, limit)
	})
	return cs, err
}
