package dataset

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
)

// A file is a finished file of the package.
type file struct {
	Path  string `json:"path"`
	Bytes int64  `json:"bytes"`
	Hash  string `json:"hash"`
}

// A staging holds files under temporary names until all are complete.
type staging struct {
	dir   string
	files []staged
}

type staged struct{ temp, final string }

// write fills a new file by write and flushes it to disk.
func (s *staging) write(name string, write func(io.Writer) error) (file, error) {
	f, err := os.CreateTemp(s.dir, "."+name+".*.tmp")
	if err != nil {
		return file{}, err
	}
	s.files = append(s.files, staged{f.Name(), filepath.Join(s.dir, name)})
	hash := sha256.New()
	buffer := bufio.NewWriterSize(io.MultiWriter(f, hash), 1<<16)
	err = write(buffer)
	if err == nil {
		err = buffer.Flush()
	}
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	size, seekErr := f.Seek(0, io.SeekEnd)
	if err := errors.Join(err, seekErr, f.Close()); err != nil {
		return file{}, fmt.Errorf("%s: %w", name, err)
	}
	return file{name, size, "sha256:" + hex.EncodeToString(hash.Sum(nil))}, nil
}

// publish gives the files their names, in the order in which they were written.
func (s *staging) publish() error {
	for len(s.files) > 0 {
		if err := os.Rename(s.files[0].temp, s.files[0].final); err != nil {
			return err
		}
		s.files = s.files[1:]
	}
	return nil
}

// discard removes what was not published.
func (s *staging) discard() {
	for _, f := range s.files {
		os.Remove(f.temp)
	}
}

// syncDir makes names in dir durable, where the system has a way to.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
