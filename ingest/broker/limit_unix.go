//go:build unix

package broker

import "syscall"

// spareFiles are left to the store, the page and the rest of the process.
const spareFiles = 64

// maxConnections returns how many connections the process has files for.
func maxConnections() int {
	var l syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &l); err != nil || uint64(l.Cur) > maxClients+maxStrangers+spareFiles {
		return maxClients + maxStrangers
	}
	return max(16, int(l.Cur)-spareFiles)
}
