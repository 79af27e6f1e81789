package dataset

import (
	"errors"
	"fmt"
	"os"
	"slices"
)

// spoolMemory is how much text a spool holds in memory.
const spoolMemory = 4 << 20

// A spool keeps the cells of all rows until they can be written in order: years
// of a street are more than a small machine has memory for. What is beyond
// spoolMemory lies in a file of dir that only its owner may read and that is gone
// with the process, whatever ends it; on systems that do not let go of an open
// file's name, with close.
type spool struct {
	dir   string
	file  *os.File // nil until it is needed
	filed int64    // bytes in file
	held  []byte   // what comes after them
	cut   int      // more than that is filed; spoolMemory
	named bool     // the file still has its name
}

// add keeps cells and returns where they are.
func (s *spool) add(cells []byte) (at int64, err error) {
	if len(s.held)+len(cells) > s.cut && len(s.held) > 0 {
		if err := s.flush(); err != nil {
			return 0, err
		}
	}
	at = s.filed + int64(len(s.held))
	s.held = append(s.held, cells...)
	return at, nil
}

func (s *spool) flush() error {
	if s.file == nil {
		if err := os.MkdirAll(s.dir, 0o755); err != nil {
			return err
		}
		f, err := os.CreateTemp(s.dir, ".rows.*.tmp")
		if err != nil {
			return err
		}
		s.file, s.named = f, os.Remove(f.Name()) != nil
	}
	n, err := s.file.Write(s.held)
	s.filed += int64(n)
	s.held = s.held[:0]
	if err != nil {
		return fmt.Errorf("keeping rows: %w", err)
	}
	return nil
}

// cells returns the n bytes at at, which hold until the next add, or the next
// use of buf: that has those that are read back from the file.
func (s *spool) cells(at int64, n int, buf *[]byte) ([]byte, error) {
	if at >= s.filed {
		i := int(at - s.filed)
		return s.held[i : i+n], nil
	}
	*buf = slices.Grow((*buf)[:0], n)[:n]
	if _, err := s.file.ReadAt(*buf, at); err != nil {
		return nil, fmt.Errorf("reading rows back: %w", err)
	}
	return *buf, nil
}

func (s *spool) close() error {
	if s.file == nil {
		return nil
	}
	err := s.file.Close()
	if s.named {
		err = errors.Join(err, os.Remove(s.file.Name()))
	}
	s.file = nil
	return err
}
