package store

import (
	"errors"
	"fmt"

	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// Errors of [Open].
var (
	// ErrNoStore: read-only opening, and the folder holds no store.
	ErrNoStore = errors.New("no store here")
	// ErrNotStore: the file is not a SQLite file of this program.
	ErrNotStore = errors.New("not a greywatt store")
	// ErrNewer: the file was written by a newer version of this program.
	ErrNewer = errors.New("store is of a newer version")
)

// Errors of an open store.
var (
	// ErrFull: the disk is full. Nothing of the call was stored; the same call
	// succeeds once there is room.
	ErrFull = errors.New("disk full")
	// ErrReadOnly: a change was asked of a store opened with [Options.ReadOnly].
	ErrReadOnly = errors.New("store is open for reading only")
	// ErrClosed: the store has been closed.
	ErrClosed = errors.New("store is closed")
)

// A LockedError says that another process writes to the store.
type LockedError struct {
	Dir string
	PID int // of the holder; 0 where it could not be read
}

func (e *LockedError) Error() string {
	holder := "another process"
	if e.PID != 0 {
		holder = fmt.Sprintf("process %d", e.PID)
	}
	return fmt.Sprintf("store %s: %s is writing to it; stop that one first, or give this one another data folder", e.Dir, holder)
}

// explain gives SQLite's error the sentinel that callers branch on.
func (s *Store) explain(err error) error {
	var damage *ingest.CorruptError
	switch code := sqlite.ErrCode(err); {
	case err == nil:
		return nil
	case errors.As(err, &damage):
		return err
	case code.ToPrimary() == sqlite.ResultFull, code == sqlite.ResultIOErrSHMSize:
		return fmt.Errorf("%s: %w: make room, the data is taken when it comes again (%v)", s.path, ErrFull, err)
	case code.ToPrimary() == sqlite.ResultCorrupt, code.ToPrimary() == sqlite.ResultNotADB:
		return &ingest.CorruptError{File: s.path, Err: err}
	case code.ToPrimary() == sqlite.ResultReadOnly:
		return fmt.Errorf("%s: %w (%v)", s.path, ErrReadOnly, err)
	}
	return fmt.Errorf("%s: %w", s.path, err)
}
