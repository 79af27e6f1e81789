// Package buffer keeps a node's records on flash until the logger has
// acknowledged them: files that are only ever appended to and removed whole, so
// that flash wears little and a kill or a power cut can spoil no more than what
// was being written.
//
// A segment is a file of records. Once it has its size it is closed, and once
// all in it are released it is removed; that removal is the only note of what
// was acknowledged, so after a restart up to one segment is read, and sent, a
// second time. A restart begins a new segment and never appends to an old one.
//
// # Bound
//
// The oldest records are kept: when the segments together have reached their
// bound, [Buffer.Append] takes nothing more and says [ErrFull] until room is
// released. Nothing that was taken is ever dropped.
//
// # Format
//
// A segment is called by its number, 16 hexadecimal digits and ".seg"; higher is
// later. A record is the byte 0xA7, its length (1 to 255), the CRC-32C of what
// follows, big-endian, and its bytes. A reader that finds anything else goes on,
// byte by byte, to the next record whose CRC fits.
package buffer

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// MaxRecord is the longest record in bytes; Overhead is what each takes beside
// its own bytes.
const (
	MaxRecord = 255
	Overhead  = 6

	recordMark = 0xA7
	suffix     = ".seg"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// ErrFull says that the bound is reached. The record was not taken.
var ErrFull = errors.New("buffer full")

// An Fsync says when what is written is made to survive a power cut. A kill of
// the process it survives as soon as it is written.
type Fsync string

// The policies.
const (
	FsyncPack    Fsync = "pack"    // at every Sync, before the records can be read
	FsyncSegment Fsync = "segment" // when a segment is closed: less wear, and a power cut takes up to a segment
)

// Options of a buffer; all must be set.
type Options struct {
	MaxBytes     int64 // of all segments; at least two segments
	SegmentBytes int64 // at which a segment is closed; at least 4096
	Fsync        Fsync
}

// A Position is a place between two records. The zero Position is before all.
type Position struct {
	segment uint64
	offset  int64
}

// A Buffer is an open buffer. One goroutine may append while another reads.
type Buffer struct {
	dir  string
	o    Options
	lock *os.File

	mu       sync.Mutex
	segments []segment // oldest first
	file     *os.File  // of the last segment; nil where the next record begins one
	visible  int64     // bytes of that file that Read may return
	total    int64
	released Position
}

type segment struct {
	id   uint64
	size int64
}

// Open opens the buffer in a folder, which it makes where there is none, and
// locks it against a second process.
func Open(dir string, o Options) (*Buffer, error) {
	if o.SegmentBytes < 4096 || o.MaxBytes < 2*o.SegmentBytes || o.Fsync != FsyncPack && o.Fsync != FsyncSegment {
		return nil, fmt.Errorf("buffer: %+v: want segments of 4096 bytes or more, room for two of them, and %s or %s", o, FsyncPack, FsyncSegment)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("buffer: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return nil, fmt.Errorf("buffer: %w", err)
	}
	b := &Buffer{dir: dir, o: o, lock: lock}
	if err := b.list(); err != nil {
		return nil, errors.Join(fmt.Errorf("buffer: %w", err), lock.Close())
	}
	return b, nil
}

// list finds the segments of earlier runs.
func (b *Buffer) list() error {
	entries, err := os.ReadDir(b.dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		name, ok := strings.CutSuffix(e.Name(), suffix)
		id, err := strconv.ParseUint(name, 16, 64)
		if !ok || err != nil || e.Name() != segmentName(id) {
			continue
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		if info.Size() == 0 {
			if err := os.Remove(b.path(id)); err != nil {
				return err
			}
			continue
		}
		b.segments = append(b.segments, segment{id, info.Size()})
		b.total += info.Size()
	}
	slices.SortFunc(b.segments, func(a, c segment) int { return cmp.Compare(a.id, c.id) })
	return nil
}

func segmentName(id uint64) string { return fmt.Sprintf("%016x%s", id, suffix) }

func (b *Buffer) path(id uint64) string { return filepath.Join(b.dir, segmentName(id)) }

// Append writes a record. It can be read after the next [Buffer.Sync]. An error
// means that the record was not taken; the next may be.
func (b *Buffer) Append(rec []byte) error {
	if len(rec) == 0 || len(rec) > MaxRecord {
		panic(fmt.Sprintf("buffer: a record of %d bytes; want 1 to %d", len(rec), MaxRecord))
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	size := int64(Overhead + len(rec))
	if b.total+size > b.o.MaxBytes {
		return ErrFull
	}
	if b.file != nil && b.last().size+size > b.o.SegmentBytes {
		if err := b.closeSegment(); err != nil {
			return err
		}
	}
	if b.file == nil {
		if err := b.beginSegment(); err != nil {
			return err
		}
	}
	var buf [Overhead + MaxRecord]byte
	whole := append(buf[:0], recordMark, byte(len(rec)))
	whole = binary.BigEndian.AppendUint32(whole, crc32.Checksum(rec, castagnoli))
	whole = append(whole, rec...)
	// What a failed write leaves behind is written over by the next.
	if _, err := b.file.WriteAt(whole, b.last().size); err != nil {
		return fmt.Errorf("buffer: %w", err)
	}
	b.last().size += size
	b.total += size
	return nil
}

func (b *Buffer) last() *segment { return &b.segments[len(b.segments)-1] }

func (b *Buffer) beginSegment() error {
	id := uint64(1)
	if len(b.segments) > 0 {
		id = b.last().id + 1
	}
	id = max(id, b.released.segment+1) // positions given out stay in order
	f, err := os.OpenFile(b.path(id), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("buffer: begin a segment: %w", err)
	}
	if b.o.Fsync == FsyncPack {
		if err := syncDir(b.dir); err != nil {
			return errors.Join(fmt.Errorf("buffer: begin a segment: %w", err), f.Close(), os.Remove(b.path(id)))
		}
	}
	b.file, b.visible = f, 0
	b.segments = append(b.segments, segment{id: id})
	return nil
}

// closeSegment ends the last segment. All in it can be read from then on, also
// after an error: to send it is then the best that can be done with it.
func (b *Buffer) closeSegment() error {
	f := b.file
	b.file = nil
	err := errors.Join(f.Sync(), f.Close())
	if b.o.Fsync == FsyncSegment {
		err = errors.Join(err, syncDir(b.dir))
	}
	if err != nil {
		return fmt.Errorf("buffer: end a segment: %w", err)
	}
	return nil
}

// Sync makes all records appended so far readable, and durable where the policy
// is [FsyncPack]. After an error they are readable nevertheless.
func (b *Buffer) Sync() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.file == nil || b.visible == b.last().size {
		return nil
	}
	b.visible = b.last().size
	if b.o.Fsync != FsyncPack {
		return nil
	}
	if err := b.file.Sync(); err != nil {
		return fmt.Errorf("buffer: %w", err)
	}
	return nil
}

// A Batch is what [Buffer.Read] found.
type Batch struct {
	Records [][]byte // none where there is nothing more
	Next    Position // after them
	Skipped int64    // bytes passed over that were no records: a torn write, or damage
}

// Read returns the records from a position on, up to about maxBytes of them and
// no more than one segment's.
func (b *Buffer) Read(from Position, maxBytes int) (Batch, error) {
	batch := Batch{Next: from}
	for {
		id, limit, ok := b.locate(&batch.Next)
		if !ok {
			return batch, nil
		}
		chunk := make([]byte, min(limit-batch.Next.offset, int64(max(maxBytes, Overhead+MaxRecord))))
		if err := b.readAt(id, chunk, batch.Next.offset); err != nil {
			return batch, err
		}
		atEnd := batch.Next.offset+int64(len(chunk)) == limit
		used := batch.take(chunk, atEnd)
		batch.Next.offset += int64(used)
		if len(batch.Records) > 0 {
			return batch, nil
		}
	}
}

// locate moves a position to where the next byte is and returns its segment
// and how far that can be read.
func (b *Buffer) locate(p *Position) (id uint64, limit int64, ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, s := range b.segments {
		if s.id < p.segment {
			continue
		}
		if s.id > p.segment {
			*p = Position{segment: s.id}
		}
		limit = s.size
		if b.file != nil && i == len(b.segments)-1 {
			limit = b.visible
		}
		if p.offset < limit {
			return s.id, limit, true
		}
	}
	return 0, 0, false
}

func (b *Buffer) readAt(id uint64, chunk []byte, offset int64) error {
	f, err := os.Open(b.path(id))
	if err != nil {
		return fmt.Errorf("buffer: %w", err)
	}
	defer f.Close()
	if _, err := f.ReadAt(chunk, offset); err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("buffer: %w", err)
	}
	return nil
}

// take finds the records in a chunk and returns how much of it is done with.
func (batch *Batch) take(chunk []byte, atEnd bool) (used int) {
	for i := 0; i < len(chunk); {
		rest := chunk[i:]
		whole := Overhead
		if len(rest) >= 2 {
			whole += int(rest[1])
		}
		switch {
		case len(rest) < whole && rest[0] == recordMark && !atEnd:
			return i // goes on beyond the chunk
		case len(rest) >= whole && whole > Overhead && rest[0] == recordMark &&
			binary.BigEndian.Uint32(rest[2:]) == crc32.Checksum(rest[Overhead:whole], castagnoli):
			batch.Records = append(batch.Records, rest[Overhead:whole:whole])
			i += whole
		default:
			batch.Skipped++
			i++
		}
	}
	return len(chunk)
}

// Release says that all before a position is acknowledged.
func (b *Buffer) Release(to Position) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.released = to
	var errs []error
	for len(b.segments) > 0 {
		s := b.segments[0]
		done := s.id < to.segment || s.id == to.segment && s.size <= to.offset
		if !done || b.file != nil && len(b.segments) == 1 {
			break
		}
		if err := os.Remove(b.path(s.id)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, fmt.Errorf("buffer: %w", err))
		}
		b.segments = b.segments[1:]
		b.total -= s.size
	}
	return errors.Join(errs...)
}

// Size returns the bytes of all segments.
func (b *Buffer) Size() int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.total
}

// Close ends the last segment, removes it where all in it is released, and
// unlocks the folder.
func (b *Buffer) Close() error {
	b.mu.Lock()
	var err error
	if b.file != nil {
		err = b.closeSegment()
	}
	to := b.released
	b.mu.Unlock()
	return errors.Join(err, b.Release(to), b.lock.Close())
}
