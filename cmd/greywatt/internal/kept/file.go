package kept

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"github.com/klauspost/compress/zstd"
	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"greywatt"
)

// FileName is the name of the file of results in the data folder.
const FileName = "results.sqlite"

const (
	applicationID = 0x67777273 // "gwrs" in ASCII
	layout        = 2          // of the tables, the piece's fields and its sum
	// busyTimeout is how long it waits for another process. Who waits longer does
	// without.
	busyTimeout = 2 * time.Second
	// packWindow is how far back the packing looks, bytes: more memory gains nothing.
	packWindow = 128 << 10
	// maxBlob is the most that a stretch or a state may take unpacked, bytes.
	maxBlob = 64 << 20
)

// Nothing here is worth a flush to disk: what a loss of power takes is worked out
// again, and what it garbles does not have its sum.
const schema = `
CREATE TABLE dwelling (
	id INTEGER PRIMARY KEY,
	name TEXT NOT NULL UNIQUE,
	by BLOB NOT NULL -- the build that made all of its results
);
CREATE TABLE piece (
	dwelling INTEGER NOT NULL,
	from_us INTEGER NOT NULL,
	to_us INTEGER NOT NULL,
	fields BLOB NOT NULL,
	sum BLOB NOT NULL,   -- of all the others
	stretch BLOB NOT NULL,
	PRIMARY KEY (dwelling, from_us)
) WITHOUT ROWID;
CREATE TABLE state (
	dwelling INTEGER NOT NULL,
	at_us INTEGER NOT NULL,
	state BLOB NOT NULL, -- Zstandard; the piece that ends there has its hash
	PRIMARY KEY (dwelling, at_us)
) WITHOUT ROWID;
CREATE TABLE diagnosis (
	dwelling INTEGER NOT NULL,
	kind TEXT NOT NULL,    -- all: of all readings; cut: of those up to a cut
	key BLOB NOT NULL,     -- hash of all that it depends on
	sum BLOB NOT NULL,     -- of key and diagnosis
	diagnosis BLOB NOT NULL,
	PRIMARY KEY (dwelling, kind)
) WITHOUT ROWID;
`

// A Hash tells contents apart.
type Hash [sha256.Size]byte

// A Piece is what one stretch of a dwelling's readings gave.
type Piece struct {
	From, To greywatt.Instant // of its readings, To exclusive
	Aim      greywatt.Instant // when it was to end: To is the first rest from then on
	Begins   Hash             // of the state of the analysis at From
	Ends     Hash             // and at To
	Settings Hash             // of the description in force, and of what is left out
	Frames   Hash             // of its frames
	Held     Hash             // of what the store says that it holds of the time; zero: not known

	Stretch []byte // as analysis.Stretch has it, packed
	State   []byte // that of Ends; nil where it is not kept

	nth   int  // on the walk's chain
	ahead bool // worked out and not kept yet
}

func (p *Piece) hashes() [5]*Hash {
	return [...]*Hash{&p.Begins, &p.Ends, &p.Settings, &p.Frames, &p.Held}
}

// A File holds results of dwellings. Its methods may be called by several
// goroutines, and several processes may have it open.
type File struct {
	path string
	mu   sync.Mutex
	c    *sqlite.Conn
	pack sync.Pool // of *zstd.Encoder, each more than a megabyte: they go while nothing is kept
	open *zstd.Decoder
	read bool // it cannot be written
}

// errOther is for a file that is none of ours.
var errOther = errors.New("it is another program's file, and is left as it is")

// OpenFile opens the file of results in a folder, made where there is none. One of another
// layout, and one that is damaged, is made anew, which reset says.
func OpenFile(dir string) (f *File, reset string, err error) {
	path := filepath.Join(dir, FileName)
	f, err = openFile(path)
	if err == nil || errors.Is(err, errOther) || !spoilt(err) {
		return f, "", err
	}
	reset = err.Error()
	if err := remove(path); err != nil {
		return nil, "", err
	}
	f, err = openFile(path)
	return f, reset, err
}

// errLayout is for a file of another build's layout.
var errLayout = errors.New("it is of another version")

// spoilt reports whether an error means that the file is of no use.
func spoilt(err error) bool {
	if errors.Is(err, errLayout) {
		return true
	}
	switch sqlite.ErrCode(err).ToPrimary() {
	case sqlite.ResultCorrupt, sqlite.ResultNotADB:
		return true
	}
	return false
}

func remove(path string) error {
	for _, name := range []string{path, path + "-journal"} {
		if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

func openFile(path string) (_ *File, err error) {
	f := &File{path: path}
	// SQLite gives its journal the mode of the file: results are for owner and group.
	made, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	switch {
	case err == nil:
		if err := made.Close(); err != nil {
			return nil, err
		}
		f.c, err = sqlite.OpenConn(path, sqlite.OpenReadWrite)
	case errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS):
		f.read = true
		if _, statErr := os.Stat(path); statErr != nil {
			return nil, err
		}
		f.c, err = sqlite.OpenConn(path, sqlite.OpenReadOnly)
	}
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			f.c.Close()
		}
	}()
	f.c.SetBusyTimeout(busyTimeout)
	if err := f.setUp(); err != nil {
		return nil, err
	}
	f.open, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxMemory(maxBlob))
	return f, err
}

// setUp makes the tables of a new file and refuses one that is not of this layout.
func (f *File) setUp() error {
	for _, pragma := range []string{"cache_size = -500", "secure_delete = ON", "journal_mode = TRUNCATE", "synchronous = OFF"} {
		if err := sqlitex.ExecuteTransient(f.c, "PRAGMA "+pragma, nil); err != nil && !f.read {
			return err
		}
	}
	app, version, tables := 0, 0, 0
	for sql, to := range map[string]*int{"PRAGMA application_id": &app, "PRAGMA user_version": &version, "SELECT count(*) FROM sqlite_schema": &tables} {
		if err := f.query(sql, func(r *sqlite.Stmt) error { *to = r.ColumnInt(0); return nil }); err != nil {
			return err
		}
	}
	switch {
	case app == applicationID && version == layout && tables > 0:
		return nil
	case app == applicationID:
		return errLayout
	case app != 0 || version != 0 || tables != 0:
		return errOther
	case f.read:
		return errLayout
	}
	return sqlitex.ExecScript(f.c, fmt.Sprintf("%s;PRAGMA application_id = %d;PRAGMA user_version = %d;", schema, applicationID, layout))
}

// Close closes the file.
func (f *File) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.c == nil {
		return nil
	}
	f.open.Close()
	err := f.c.Close()
	f.c = nil
	return err
}

var errClosed = errors.New("the file of results is closed")

func (f *File) query(sql string, row func(*sqlite.Stmt) error, args ...any) error {
	return sqlitex.Execute(f.c, sql, &sqlitex.ExecOptions{Args: args, ResultFunc: row})
}

// each calls do under the lock, in one transaction.
func (f *File) each(begin string, do func() error) (err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.c == nil {
		return errClosed
	}
	if err := f.query(begin, nil); err != nil {
		return err
	}
	if err = do(); err == nil {
		err = f.query("COMMIT", nil)
	}
	if !f.c.AutocommitEnabled() {
		err = errors.Join(err, f.query("ROLLBACK", nil))
	}
	return err
}

const fieldsSize = 8 + 5*sha256.Size

// Pieces returns a dwelling's pieces that share a time with one from from to before
// to, in time order, without their states, and how many were damaged and are left out. There are none
// where another build than by made them.
func (f *File) Pieces(dwelling string, by Hash, from, to greywatt.Instant) (pieces []Piece, damaged int, err error) {
	err = f.each("BEGIN", func() error {
		return f.query("SELECT p.from_us, p.to_us, p.fields, p.sum, p.stretch FROM piece p JOIN dwelling d ON d.id = p.dwelling WHERE d.name = ? AND d.by = ? AND p.to_us > ? AND p.from_us < ? ORDER BY p.from_us",
			func(r *sqlite.Stmt) error {
				p := Piece{From: greywatt.Instant(r.ColumnInt64(0)), To: greywatt.Instant(r.ColumnInt64(1)), Stretch: blob(r, 4)}
				fields, sum := blob(r, 2), blob(r, 3)
				want := sumOf(dwelling, by, &p, fields)
				if len(fields) != fieldsSize || string(sum) != string(want[:]) || p.To <= p.From {
					damaged++
					return nil
				}
				p.Aim = greywatt.Instant(binary.BigEndian.Uint64(fields))
				for i, to := range p.hashes() {
					copy(to[:], fields[8+i*sha256.Size:])
				}
				pieces = append(pieces, p)
				return nil
			}, dwelling, by[:], int64(from), int64(to))
	})
	return pieces, damaged, err
}

// Unpack returns a packed stretch as it was.
func (f *File) Unpack(packed []byte) ([]byte, error) { return f.open.DecodeAll(packed, nil) }

func (f *File) packed(b []byte) []byte {
	pack, ok := f.pack.Get().(*zstd.Encoder)
	if !ok {
		var err error
		if pack, err = zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithLowerEncoderMem(true), zstd.WithWindowSize(packWindow)); err != nil {
			panic("kept: " + err.Error()) // an option is wrong
		}
	}
	defer f.pack.Put(pack)
	return pack.EncodeAll(b, nil)
}

// State returns the state that was kept at an instant, which has the wanted hash; nil
// where there is none.
func (f *File) State(dwelling string, at greywatt.Instant, want Hash) (state []byte, err error) {
	err = f.each("BEGIN", func() error {
		return f.query("SELECT s.state FROM state s JOIN dwelling d ON d.id = s.dwelling WHERE d.name = ? AND s.at_us = ?",
			func(r *sqlite.Stmt) error {
				b, err := f.open.DecodeAll(blob(r, 0), nil)
				if err == nil && HashOf(b) == want {
					state = b
				}
				return nil
			}, dwelling, int64(at))
	})
	return state, err
}

// HashOf returns the hash of bytes.
func HashOf(b []byte) Hash { return sha256.Sum256(b) }

func blob(r *sqlite.Stmt, col int) []byte {
	b := make([]byte, r.ColumnLen(col))
	r.ColumnBytes(col, b)
	return b
}

func sumOf(dwelling string, by Hash, p *Piece, fields []byte) Hash {
	h := sha256.New()
	b := append([]byte(dwelling), 0)
	b = append(b, by[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(p.From))
	b = binary.BigEndian.AppendUint64(b, uint64(p.To))
	h.Write(append(b, fields...))
	h.Write(p.Stretch)
	var sum Hash
	h.Sum(sum[:0])
	return sum
}

// A Change is what of a dwelling's results is to be replaced.
type Change struct {
	By     Hash                      // the build; results of another one all go
	Gone   []Piece                   // of these only the times count
	New    []Piece                   // what they overlap goes
	Held   []Piece                   // pieces that are there, with another Held
	States map[greywatt.Instant]bool // ends of pieces whose states are still wanted; nil: of all
}

// empty reports whether there is nothing to be done.
func (c *Change) empty() bool { return len(c.Gone)+len(c.New)+len(c.Held) == 0 }

// Keep makes a change, all of it or nothing.
func (f *File) Keep(dwelling string, c *Change) error {
	if f.read {
		return errReadOnlyFile
	}
	return f.each("BEGIN IMMEDIATE", func() error {
		id, by := int64(0), []byte(nil)
		if err := f.query("SELECT id, by FROM dwelling WHERE name = ?", func(r *sqlite.Stmt) error { id, by = r.ColumnInt64(0), blob(r, 1); return nil }, dwelling); err != nil {
			return err
		}
		switch {
		case id == 0:
			if err := f.query("INSERT INTO dwelling (name, by) VALUES (?, ?) RETURNING id", func(r *sqlite.Stmt) error { id = r.ColumnInt64(0); return nil }, dwelling, c.By[:]); err != nil {
				return err
			}
		case string(by) != string(c.By[:]):
			if err := f.drop(id, &Piece{From: math.MinInt64, To: math.MaxInt64}); err != nil {
				return err
			}
			if err := f.query("DELETE FROM diagnosis WHERE dwelling = ?", nil, id); err != nil {
				return err
			}
			if err := f.query("UPDATE dwelling SET by = ? WHERE id = ?", nil, c.By[:], id); err != nil {
				return err
			}
		}
		for i := range c.Gone {
			if err := f.drop(id, &c.Gone[i]); err != nil {
				return err
			}
		}
		for i := range c.New {
			if err := f.drop(id, &c.New[i]); err != nil {
				return err
			}
		}
		for i := range c.New {
			p := &c.New[i]
			if err := f.put(id, dwelling, c.By, p); err != nil {
				return err
			}
			if p.State == nil {
				continue
			}
			if err := f.query("INSERT OR REPLACE INTO state (dwelling, at_us, state) VALUES (?, ?, ?)", nil, id, int64(p.To), f.packed(p.State)); err != nil {
				return err
			}
		}
		for i := range c.Held {
			if err := f.put(id, dwelling, c.By, &c.Held[i]); err != nil {
				return err
			}
		}
		if err := f.thin(id, c.States); err != nil {
			return err
		}
		for _, sql := range []string{
			"DELETE FROM diagnosis WHERE dwelling = ?1 AND NOT EXISTS (SELECT 1 FROM piece WHERE dwelling = ?1)",
			"DELETE FROM dwelling WHERE id = ?1 AND NOT EXISTS (SELECT 1 FROM piece WHERE dwelling = ?1)",
		} {
			if err := f.query(sql, nil, id); err != nil {
				return err
			}
		}
		return nil
	})
}

// Diagnosis returns what was kept of a kind under a key; nil where nothing was, or it
// is damaged.
func (f *File) Diagnosis(dwelling, kind string, key Hash) (b []byte, err error) {
	err = f.each("BEGIN", func() error {
		return f.query("SELECT x.sum, x.diagnosis FROM diagnosis x JOIN dwelling d ON d.id = x.dwelling WHERE d.name = ? AND x.kind = ? AND x.key = ?",
			func(r *sqlite.Stmt) error {
				packed := blob(r, 1)
				if want := diagnosisSum(dwelling, kind, key, packed); string(blob(r, 0)) != string(want[:]) {
					return nil
				}
				b, _ = f.open.DecodeAll(packed, nil)
				return nil
			}, dwelling, kind, key[:])
	})
	return b, err
}

// KeepDiagnosis puts one in the place of that of its kind. It is kept with pieces of the
// dwelling only.
func (f *File) KeepDiagnosis(dwelling, kind string, key Hash, b []byte) error {
	if f.read {
		return errReadOnlyFile
	}
	packed := f.packed(b)
	sum := diagnosisSum(dwelling, kind, key, packed)
	return f.each("BEGIN IMMEDIATE", func() error {
		return f.query("INSERT OR REPLACE INTO diagnosis (dwelling, kind, key, sum, diagnosis) SELECT id, ?, ?, ?, ? FROM dwelling WHERE name = ?", nil,
			kind, key[:], sum[:], packed, dwelling)
	})
}

func diagnosisSum(dwelling, kind string, key Hash, packed []byte) Hash {
	return HashOf(append(append([]byte(dwelling+"\x00"+kind+"\x00"), key[:]...), packed...))
}

// thin removes states that are not wanted.
func (f *File) thin(id int64, wanted map[greywatt.Instant]bool) error {
	if wanted == nil {
		return nil
	}
	var gone []int64
	if err := f.query("SELECT at_us FROM state WHERE dwelling = ?", func(r *sqlite.Stmt) error {
		if at := r.ColumnInt64(0); !wanted[greywatt.Instant(at)] {
			gone = append(gone, at)
		}
		return nil
	}, id); err != nil {
		return err
	}
	for _, at := range gone {
		if err := f.query("DELETE FROM state WHERE dwelling = ? AND at_us = ?", nil, id, at); err != nil {
			return err
		}
	}
	return nil
}

var errReadOnlyFile = errors.New("the file of results cannot be written")

// drop removes what overlaps a piece, and the states within it.
func (f *File) drop(id int64, p *Piece) error {
	if err := f.query("DELETE FROM piece WHERE dwelling = ?1 AND from_us < ?3 AND to_us > ?2", nil, id, int64(p.From), int64(p.To)); err != nil {
		return err
	}
	return f.query("DELETE FROM state WHERE dwelling = ?1 AND at_us > ?2 AND at_us <= ?3", nil, id, int64(p.From), int64(p.To))
}

func (f *File) put(id int64, dwelling string, by Hash, p *Piece) error {
	fields := binary.BigEndian.AppendUint64(make([]byte, 0, fieldsSize), uint64(p.Aim))
	for _, h := range p.hashes() {
		fields = append(fields, h[:]...)
	}
	sum := sumOf(dwelling, by, p, fields)
	return f.query("INSERT OR REPLACE INTO piece (dwelling, from_us, to_us, fields, sum, stretch) VALUES (?, ?, ?, ?, ?, ?)", nil,
		id, int64(p.From), int64(p.To), fields, sum[:], p.Stretch)
}

// Erase removes all that is kept of a dwelling and rewrites the file, so that no
// page of it holds anything of the dwelling.
func (f *File) Erase(dwelling string) error {
	if f.read {
		return errReadOnlyFile
	}
	err := f.each("BEGIN IMMEDIATE", func() error {
		for _, sql := range []string{
			"DELETE FROM piece WHERE dwelling IN (SELECT id FROM dwelling WHERE name = ?)",
			"DELETE FROM state WHERE dwelling IN (SELECT id FROM dwelling WHERE name = ?)",
			"DELETE FROM diagnosis WHERE dwelling IN (SELECT id FROM dwelling WHERE name = ?)",
			"DELETE FROM dwelling WHERE name = ?",
		} {
			if err := f.query(sql, nil, dwelling); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.c == nil {
		return errClosed
	}
	return f.query("VACUUM", nil)
}

// Dwellings returns those of which there are results.
func (f *File) Dwellings() (names []string, err error) {
	err = f.each("BEGIN", func() error {
		return f.query("SELECT name FROM dwelling ORDER BY name", func(r *sqlite.Stmt) error { names = append(names, r.ColumnText(0)); return nil })
	})
	return names, err
}
