package store

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"greywatt"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"
)

// FileName is the name of the SQLite file in the data folder.
const FileName = "greywatt.sqlite"

const (
	// busyTimeout is how long a connection waits for another's write lock. Only
	// another program (a SQLite shell, say) can hold one.
	busyTimeout = 10 * time.Second
	// maxIdle bounds the reading connections kept open between calls.
	maxIdle = 2
	// pageSize is that of new files; older ones keep their 4096. A commit changes
	// three pages or more and each is written whole.
	pageSize = 1024
	// logSize is that of the log when it is written back.
	logSize = 4 << 20
)

// Options of [Open]. The zero value is right for a logger.
type Options struct {
	// ReadOnly opens an existing store beside a process that may be writing to
	// it. Everything that changes the store returns [ErrReadOnly].
	ReadOnly bool
	// MaxRejected and MaxConflicts bound how many of the newest rejected records and
	// conflicts are kept in full; 10 000 where 0. Their counts are kept for ever.
	MaxRejected, MaxConflicts int
}

// A Store is an open store. Its methods may be called from any goroutine;
// those that change it take turns.
type Store struct {
	path string
	opts Options
	lock *os.File // nil if read-only
	copy bool     // a file by itself that nobody writes to

	mu        sync.Mutex // held while writing
	w         *sqlite.Conn
	nodes     map[nodeKey]*node
	known     [8]span // what was last looked up in blocks
	nextKnown int     // the one to go next
	mirrored  bool    // there are mirrors
	// quarantined is the size of what is in the quarantine.
	quarantined atomic.Int64
	pack        *blockEncoder
	unpack      *blockDecoder

	next []Note // to be written with the next commit

	idleMu sync.Mutex
	idle   []*sqlite.Conn
	closed bool
}

type nodeKey struct{ dwelling, node string }

// node is what the writer knows of a node; it mirrors table node and is read
// again after a transaction fails.
type node struct {
	id                          int64
	frames, readings, conflicts int64
	first, last                 greywatt.Instant // of all frames
	sealed                      greywatt.Instant // last instant of the newest block
	joined                      greywatt.Instant // of blocks that end before it, no small ones follow each other
	heard, up                   bool             // heard: presence is known, since since
	since                       greywatt.Instant
}

// Open opens the store in dir, creating both where they do not exist, and
// brings an older file to this version. It returns a [*LockedError] while
// another process writes there, and [ErrNewer] or [ErrNotStore] for a file it
// must not touch.
func Open(dir string, o Options) (*Store, error) {
	if o.MaxRejected == 0 {
		o.MaxRejected = 10_000
	}
	if o.MaxConflicts == 0 {
		o.MaxConflicts = 10_000
	}
	s := &Store{path: filepath.Join(dir, FileName), opts: o}
	if err := s.open(dir); err != nil {
		s.Close()
		var locked *LockedError
		if errors.As(err, &locked) {
			return nil, err
		}
		return nil, fmt.Errorf("open store: %w", s.explain(err))
	}
	return s, nil
}

func (s *Store) open(dir string) error {
	if s.opts.ReadOnly {
		c, err := s.connect()
		if err != nil {
			return err
		}
		s.release(c)
		return nil
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	var err error
	if s.lock, err = lockDir(dir); err != nil {
		return err
	}
	// SQLite gives its log the mode of the file: readings are for owner and group.
	f, err := os.OpenFile(s.path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if s.w, err = s.connect(); err != nil {
		return err
	}
	if err := syncDir(filepath.Dir(dir)); err != nil {
		return err
	}
	s.pack, s.unpack = newBlockEncoder(), newBlockDecoder()
	return s.reload()
}

// connect opens a connection and sets what every connection must have.
func (s *Store) connect() (*sqlite.Conn, error) {
	if s.lock != nil {
		return s.setUp(s.path, sqlite.OpenReadWrite|sqlite.OpenCreate)
	}
	if _, err := os.Stat(s.path); errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("%w: check the data folder's name, or log or import something first", ErrNoStore)
	} else if err != nil {
		return nil, err
	}
	if s.copy {
		return s.setUp(immutable(s.path), sqlite.OpenReadOnly|sqlite.OpenURI)
	}
	c, err := s.setUp(s.path, sqlite.OpenReadOnly)
	if sqlite.ErrCode(err).ToPrimary() != sqlite.ResultCantOpen {
		return c, err
	}
	// In a folder that cannot be written, SQLite cannot keep its index of the
	// log. Where there is no log, it needs none.
	if info, statErr := os.Stat(s.path + "-wal"); statErr == nil && info.Size() > 0 {
		return nil, fmt.Errorf("%w: the folder cannot be written and the store was not closed: copy it to where it can be", err)
	}
	return s.setUp(immutable(s.path), sqlite.OpenReadOnly|sqlite.OpenURI)
}

// immutable returns the URI by which SQLite reads a file that nobody changes.
func immutable(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	path = filepath.ToSlash(path)
	if !strings.HasPrefix(path, "/") {
		path = "/" + path // a drive letter comes first on Windows
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: "immutable=1"}).String()
}

func (s *Store) setUp(name string, flags sqlite.OpenFlags) (_ *sqlite.Conn, err error) {
	c, err := sqlite.OpenConn(name, flags)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			c.Close()
		}
	}()
	c.SetBusyTimeout(busyTimeout)
	version, err := checkVersion(c)
	if err != nil {
		return nil, err
	}
	settings := "PRAGMA cache_size = -16000;"
	if s.lock != nil {
		settings += fmt.Sprintf("PRAGMA page_size = %d; PRAGMA journal_mode = WAL;", pageSize)
		settings += "PRAGMA synchronous = FULL; PRAGMA secure_delete = ON; PRAGMA journal_size_limit = 16777216;"
		if runtime.GOOS == "darwin" {
			settings += "PRAGMA fullfsync = ON; PRAGMA checkpoint_fullfsync = ON;"
		}
	}
	if err := runEach(c, settings); err != nil {
		return nil, err
	}
	switch {
	case s.lock != nil:
		size, err := integer(c, "PRAGMA page_size")
		if err == nil {
			err = runEach(c, fmt.Sprintf("PRAGMA wal_autocheckpoint = %d", logSize/max(size, 1)))
		}
		if err != nil {
			return nil, err
		}
		return c, migrate(c, version, migrations)
	case version == 0:
		return nil, fmt.Errorf("%w: the file is empty, and its log %s-wal is not beside it; copy both, or use greywatt backup, and do not open this one for writing", ErrNoStore, FileName)
	case version < oldestRead:
		return nil, fmt.Errorf("it has the older format %d: open it once for writing (greywatt run or import), which brings it up to date", version)
	}
	return c, nil
}

// Path returns the name of the SQLite file.
func (s *Store) Path() string { return s.path }

// Close releases the file; a scan under way may still come to its end.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.idleMu.Lock()
	defer s.idleMu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	var errs []error
	for _, c := range s.idle {
		errs = append(errs, c.Close())
	}
	s.idle = nil
	if s.w != nil {
		errs = append(errs, s.w.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// read runs f on a connection that only reads, within one transaction, so that
// all f sees is of one moment.
func (s *Store) read(ctx context.Context, f func(c *sqlite.Conn) error) error {
	c, err := s.acquire()
	if err != nil {
		return err
	}
	c.SetInterrupt(ctx.Done())
	err = run(c, "BEGIN")
	if err == nil {
		err = f(c)
	}
	c.SetInterrupt(nil)
	if !c.AutocommitEnabled() {
		err = errors.Join(err, run(c, "ROLLBACK"))
	}
	s.release(c)
	return s.outcome(ctx, err)
}

func (s *Store) acquire() (*sqlite.Conn, error) {
	s.idleMu.Lock()
	defer s.idleMu.Unlock()
	if s.closed {
		return nil, fmt.Errorf("%s: %w", s.path, ErrClosed)
	}
	if n := len(s.idle); n > 0 {
		c := s.idle[n-1]
		s.idle = s.idle[:n-1]
		return c, nil
	}
	c, err := s.connect()
	if err != nil {
		return nil, s.explain(err)
	}
	return c, nil
}

func (s *Store) release(c *sqlite.Conn) {
	s.idleMu.Lock()
	defer s.idleMu.Unlock()
	if s.closed || len(s.idle) >= maxIdle || run(c, "PRAGMA shrink_memory") != nil {
		c.Close()
		return
	}
	s.idle = append(s.idle, c)
}

// write runs f in a transaction and returns once it is on disk. The caller
// holds s.mu.
func (s *Store) write(ctx context.Context, f func(c *sqlite.Conn) error) error {
	switch {
	case s.opts.ReadOnly:
		return fmt.Errorf("%s: %w", s.path, ErrReadOnly)
	case s.closed:
		return fmt.Errorf("%s: %w", s.path, ErrClosed)
	}
	c := s.w
	c.SetInterrupt(ctx.Done())
	err := run(c, "BEGIN IMMEDIATE")
	if err == nil {
		err = f(c)
	}
	for i := 0; i < len(s.next) && err == nil; i++ {
		err = setNote(c, s.next[i])
	}
	c.SetInterrupt(nil) // a commit is not to be left half known
	if err == nil {
		err = run(c, "COMMIT")
	}
	if err == nil {
		s.next = nil
		return nil
	}
	if !c.AutocommitEnabled() {
		err = errors.Join(err, run(c, "ROLLBACK"))
	}
	return s.outcome(ctx, errors.Join(err, s.reload()))
}

func (s *Store) outcome(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	return s.explain(err)
}

// reload reads what the writer keeps in memory.
func (s *Store) reload() error {
	s.nodes = make(map[nodeKey]*node)
	s.known = [len(s.known)]span{}
	if err := errors.Join(s.loadMirrored(), s.loadQuarantined(s.w)); err != nil {
		return err
	}
	return query(s.w, `SELECT n.id, d.name, n.name, n.frames, n.readings, n.first_us, n.last_us, n.conflicts, n.up, n.up_us,
		(SELECT max(last_us) FROM block WHERE block.node = n.id AND first_us = (SELECT max(first_us) FROM block WHERE block.node = n.id))
		FROM node n JOIN dwelling d ON d.id = n.dwelling`,
		func(r *sqlite.Stmt) error {
			s.nodes[nodeKey{r.ColumnText(1), r.ColumnText(2)}] = &node{
				id: r.ColumnInt64(0), frames: r.ColumnInt64(3), readings: r.ColumnInt64(4),
				first: instant(r, 5), last: instant(r, 6), conflicts: r.ColumnInt64(7), sealed: instant(r, 10),
				heard: !r.ColumnIsNull(8), up: r.ColumnBool(8), since: instant(r, 9),
			}
			return nil
		})
}

func instant(r *sqlite.Stmt, col int) greywatt.Instant { return greywatt.Instant(r.ColumnInt64(col)) }

// run executes one statement, kept prepared on the connection.
func run(c *sqlite.Conn, sql string, args ...any) error { return query(c, sql, nil, args...) }

func query(c *sqlite.Conn, sql string, row func(*sqlite.Stmt) error, args ...any) error {
	return sqlitex.Execute(c, sql, &sqlitex.ExecOptions{Args: args, ResultFunc: row})
}

// runEach executes statements outside a transaction.
func runEach(c *sqlite.Conn, sql string) error {
	for sql != "" {
		stmt, rest, err := c.PrepareTransient(sql)
		if err != nil {
			return err
		}
		for more := true; more && err == nil; {
			more, err = stmt.Step()
		}
		if err := errors.Join(err, stmt.Finalize()); err != nil {
			return err
		}
		sql = sql[len(sql)-rest:]
	}
	return nil
}
