package store

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// lockName is the file whose lock says who writes. The lock, not the file,
// counts: it goes with the process, so a file left behind is no obstacle.
const lockName = "greywatt.lock"

func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	held, err := tryLock(f)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock %s: %w", f.Name(), err)
	}
	if !held {
		defer f.Close()
		text := make([]byte, 20)
		n, _ := f.ReadAt(text, 0)
		pid, _ := strconv.Atoi(strings.TrimSpace(string(text[:n])))
		return nil, &LockedError{Dir: dir, PID: pid}
	}
	// Written over and then cut, so that a second opener never reads an empty file.
	text := fmt.Appendf(nil, "%d\n", os.Getpid())
	if _, err := f.WriteAt(text, 0); err != nil {
		f.Close()
		return nil, err
	}
	if err := f.Truncate(int64(len(text))); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}
