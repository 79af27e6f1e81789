package ingesttest

import (
	"errors"
	"syscall"
	"testing"
)

// SmallDisk returns an empty folder on a file system of its own, of size such as
// "4m", and skips the test, saying so, where none may be mounted.
func SmallDisk(t testing.TB, size string) string {
	t.Helper()
	disk := t.TempDir()
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size="+size); errors.Is(err, syscall.EPERM) {
		t.Skip("NOT TESTED: a disk that is full wants a file system to mount, which only root can")
	} else if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(disk, 0); err != nil {
			t.Error(err)
		}
	})
	return disk
}
