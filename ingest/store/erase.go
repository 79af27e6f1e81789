package store

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// Erase removes a dwelling: readings, conflicts, rejected records, counts, presence,
// notes, messages in the quarantine that name it, and what waits for mirrors. SQLite overwrites what it deletes
// (secure_delete); afterwards the file is rewritten and the log emptied, so
// that no page holds anything of the dwelling. Meanwhile nothing else is stored,
// and there must be room for the file twice more, once among the system's
// temporary files. A scan under way, here or in another process, keeps old pages
// alive: Erase waits for it for ten seconds and then returns an error that asks to
// repeat it.
//
// Copies elsewhere are not its business: backups, mirrors, exports, and what a
// flash disk keeps of blocks it has replaced.
func (s *Store) Erase(ctx context.Context, dwelling string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.next = slices.DeleteFunc(s.next, func(n Note) bool { return n.Dwelling == dwelling })
	err := s.write(ctx, func(c *sqlite.Conn) error {
		const nodes = "(SELECT n.id FROM node n JOIN dwelling d ON d.id = n.dwelling WHERE d.name = ?)"
		for _, sql := range []string{
			"DELETE FROM frame WHERE node IN " + nodes,
			"DELETE FROM block WHERE node IN " + nodes,
			"DELETE FROM conflict WHERE node IN " + nodes,
			"DELETE FROM change WHERE node IN " + nodes,
			"DELETE FROM node WHERE id IN " + nodes,
			"DELETE FROM dwelling WHERE name = ?",
			"DELETE FROM refusal_count WHERE dwelling = ?",
			"DELETE FROM refusal WHERE dwelling = ?",
			"DELETE FROM note WHERE dwelling = ?",
		} {
			if err := run(c, sql, dwelling); err != nil {
				return err
			}
		}
		if err := eraseQuarantined(c, dwelling); err != nil {
			return err
		}
		return eraseMentions(c, dwelling)
	})
	if err != nil {
		return err
	}
	if err := s.reload(); err != nil {
		return s.explain(err)
	}
	s.w.SetInterrupt(ctx.Done())
	defer s.w.SetInterrupt(nil)
	if err := s.outcome(ctx, rewrite(s.w)); err != nil {
		return fmt.Errorf("%s is deleted, but the file was not rewritten; erase it again: %w", dwelling, err)
	}
	return nil
}

var errReader = errors.New("a scan of the store is under way")

func rewrite(c *sqlite.Conn) error {
	if err := run(c, "VACUUM"); err != nil {
		return err
	}
	return query(c, "PRAGMA wal_checkpoint(TRUNCATE)", func(r *sqlite.Stmt) error {
		if r.ColumnBool(0) {
			return errReader
		}
		return nil
	})
}

// eraseMentions removes rejected records that name the dwelling although they do not
// count for it: a record that could not be read, say, from one of its topics.
func eraseMentions(c *sqlite.Conn, dwelling string) error {
	var ids []int64
	err := query(c, "SELECT id, source, detail, record FROM refusal WHERE source IS NOT NULL AND instr(source || ' ' || detail || ' ' || record, ?)",
		func(r *sqlite.Stmt) error {
			if ingest.Mentions(r.ColumnText(1), dwelling) || ingest.Mentions(r.ColumnText(2), dwelling) || ingest.Mentions(r.ColumnText(3), dwelling) {
				ids = append(ids, r.ColumnInt64(0))
			}
			return nil
		}, dwelling)
	if err != nil {
		return err
	}
	return deleteIDs(c, "refusal", ids)
}

func deleteIDs(c *sqlite.Conn, table string, ids []int64) error {
	for _, id := range ids {
		if err := run(c, "DELETE FROM "+table+" WHERE id = ?", id); err != nil {
			return err
		}
	}
	return nil
}
