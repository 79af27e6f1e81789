package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Backup writes a copy of the store as it is now to a new file, while logging
// goes on. The copy is compact and complete; to use it, put it as [FileName]
// into a data folder of its own. A file that exists is left alone.
func (s *Store) Backup(ctx context.Context, path string) (err error) {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("backup to %s: %w", path, fs.ErrExist)
	}
	part := path + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("backup: %w", err)
	}
	defer func() {
		if err != nil {
			os.Remove(part)
		}
	}()
	c, err := s.acquire()
	if err != nil {
		return err
	}
	c.SetInterrupt(ctx.Done())
	err = run(c, "VACUUM INTO ?", part)
	c.SetInterrupt(nil)
	s.release(c)
	if err != nil {
		return fmt.Errorf("backup to %s: %w", path, s.outcome(ctx, err))
	}
	if err := syncFile(part); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	if err := os.Rename(part, path); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
