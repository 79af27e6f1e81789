// Package staging writes result files so that nobody sees half of one: each is
// complete, and on disk, under a temporary name before it takes its own.
// Several files can wait for each other.
package staging

import (
	"bufio"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
)

// A Stage holds finished files of one folder under temporary names.
type Stage struct {
	dir   string
	mode  os.FileMode // of new files, before the umask
	files []file
}

type file struct{ temp, final string }

// In returns an empty stage for a folder, which is made where it does not
// exist. Call Discard when done with it.
func In(dir string) (*Stage, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	return &Stage{dir: dir, mode: 0o666}, nil
}

// Write fills a new file by write, through a buffer, and flushes it to disk. Who
// may read it is up to the umask.
func (s *Stage) Write(name string, write func(io.Writer) error) error {
	// Not CreateTemp, whose files are not for those whom the umask lets in.
	temp := filepath.Join(s.dir, "."+name+"."+rand.Text()[:10]+".tmp")
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, s.mode)
	if err != nil {
		return err
	}
	s.files = append(s.files, file{f.Name(), filepath.Join(s.dir, name)})
	buffer := bufio.NewWriterSize(f, 1<<16)
	err = write(buffer)
	if err == nil {
		err = buffer.Flush()
	}
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// Publish gives the files their names, in the order in which they were
// written, in place of any that have them.
func (s *Stage) Publish() error {
	for len(s.files) > 0 {
		if err := os.Rename(s.files[0].temp, s.files[0].final); err != nil {
			return err
		}
		s.files = s.files[1:]
	}
	return errors.Join(syncDir(s.dir), syncDir(filepath.Dir(filepath.Clean(s.dir))))
}

// Discard removes what was not published.
func (s *Stage) Discard() {
	for _, f := range s.files {
		os.Remove(f.temp)
	}
	s.files = nil
}

// WriteFile writes one file.
func WriteFile(path string, write func(io.Writer) error) error { return writeFile(path, 0o666, write) }

// WritePrivateFile writes one file that only its owner may read.
func WritePrivateFile(path string, write func(io.Writer) error) error {
	return writeFile(path, 0o600, write)
}

func writeFile(path string, mode os.FileMode, write func(io.Writer) error) error {
	s, err := In(filepath.Dir(path))
	if err != nil {
		return err
	}
	s.mode = mode
	defer s.Discard()
	if err := s.Write(filepath.Base(path), write); err != nil {
		return err
	}
	return s.Publish()
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
