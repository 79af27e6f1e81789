package store

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

func tryLock(f *os.File) (bool, error) {
	// Locked bytes cannot be read by others on Windows, so the lock lies far
	// behind the process id.
	at := windows.Overlapped{OffsetHigh: 1}
	const flags = windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY
	err := windows.LockFileEx(windows.Handle(f.Fd()), flags, 0, 1, 0, &at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return false, nil
	}
	return err == nil, err
}

// syncDir does nothing: Windows keeps folder entries in its own journal.
func syncDir(string) error { return nil }
