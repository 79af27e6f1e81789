package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"zombiezen.com/go/sqlite"
)

// An Existing says what becomes of a file that has the name of one to be made.
type Existing int

// What may become of it.
const (
	Keep    Existing = iota // it stays, and the call returns [fs.ErrExist]
	Replace                 // it goes once the new one is complete and checked
)

// Backup writes a copy of the store as it is now to a file that its owner alone
// may read, while logging goes on. The copy is compact and complete; it has been
// read and checked, and is on disk, before it takes its name. To use it, give it
// to [Restore], or look into it by [OpenFile].
func (s *Store) Backup(ctx context.Context, path string, existing Existing) (err error) {
	if err := free(path, existing); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	part, err := newPart(path)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer os.Remove(part) // nothing once it has its name
	c, err := s.acquire()
	if err != nil {
		return err
	}
	c.SetInterrupt(ctx.Done())
	err = run(c, "VACUUM INTO ?", part)
	c.SetInterrupt(nil)
	s.release(c)
	if ctx.Err() == nil && sqlite.ErrCode(err).ToPrimary() == sqlite.ResultFull {
		return fmt.Errorf("backup to %s: no room there", path)
	}
	if err != nil {
		return fmt.Errorf("backup to %s: %w", path, s.outcome(ctx, err))
	}
	copied, err := OpenFile(part)
	if err != nil {
		return fmt.Errorf("backup: the copy cannot be used: %w", err)
	}
	err = sound(ctx, copied)
	if err := errors.Join(err, copied.Close()); err != nil {
		return fmt.Errorf("backup: the copy cannot be used: %w", err)
	}
	if err := publish(part, path, existing); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	return nil
}

// OpenFile opens a store's file by itself for reading, such as a backup. Nobody
// may write to it meanwhile.
func OpenFile(path string) (*Store, error) {
	s := &Store{path: path, copy: true, opts: Options{ReadOnly: true}}
	if err := s.open(""); err != nil {
		s.Close()
		return nil, fmt.Errorf("open %s: %w", path, s.explain(err))
	}
	return s, nil
}

// Restore makes a backup the store of dir, which must have none. It copies the
// file, brings the copy to this version's format and checks it before it takes
// its name; the backup is left as it is.
func Restore(ctx context.Context, dir, backup string) error {
	if err := restore(ctx, dir, backup); err != nil {
		return fmt.Errorf("restore %s: %w", backup, err)
	}
	return nil
}

func restore(ctx context.Context, dir, backup string) error {
	from, err := os.Open(backup)
	if err != nil {
		return err
	}
	defer from.Close()
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	lock, err := lockDir(dir)
	if err != nil {
		return err
	}
	defer lock.Close()
	path := filepath.Join(dir, FileName)
	if err := free(path, Keep); err != nil {
		return err
	}
	part, err := newPart(path)
	if err != nil {
		return err
	}
	defer os.Remove(part)
	to, err := os.OpenFile(part, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = io.Copy(to, from)
	if err := errors.Join(err, to.Close()); err != nil {
		return err
	}
	if err := upToDate(ctx, part, lock); err != nil {
		return err
	}
	return publish(part, path, Keep)
}

// upToDate brings a file to this version's format and checks it, under the lock
// of its folder.
func upToDate(ctx context.Context, path string, lock *os.File) error {
	s := &Store{path: path, lock: lock}
	c, err := s.setUp(path, sqlite.OpenReadWrite)
	if err != nil {
		return s.explain(err)
	}
	if err := c.Close(); err != nil { // which puts its log into the file
		return s.explain(err)
	}
	copied, err := OpenFile(path)
	if err != nil {
		return err
	}
	return errors.Join(sound(ctx, copied), copied.Close())
}

// sound checks a store and returns its first damage as an error.
func sound(ctx context.Context, s *Store) error {
	damage, err := s.Check(ctx)
	if err == nil && len(damage) > 0 {
		err = damage[0]
	}
	return err
}

func free(path string, existing Existing) error {
	if _, err := os.Lstat(path); existing == Keep && !errors.Is(err, fs.ErrNotExist) {
		return &fs.PathError{Op: "create", Path: path, Err: fs.ErrExist}
	}
	return nil
}

// newPart makes an empty file beside path, which its owner alone may read, and
// returns its name. SQLite takes an empty file for none.
func newPart(path string) (string, error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part")
	if err != nil {
		return "", err
	}
	return f.Name(), f.Close()
}

// publish gives a finished file its name, durably.
func publish(part, path string, existing Existing) error {
	f, err := os.OpenFile(part, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := free(path, existing); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}
