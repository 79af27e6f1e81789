package buffer

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// tryLock takes the lock of a file unless another process has it. It goes with
// the process.
func tryLock(f *os.File) (bool, error) {
	const flags = windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY
	err := windows.LockFileEx(windows.Handle(f.Fd()), flags, 0, 1, 0, &windows.Overlapped{})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return false, nil
	}
	return err == nil, err
}

// syncDir does nothing: Windows keeps folder entries in its own journal.
func syncDir(string) error { return nil }
