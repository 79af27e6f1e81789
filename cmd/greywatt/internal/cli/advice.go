package cli

import (
	"errors"
	"io/fs"
	"strings"
	"syscall"

	"greywatt/ingest"
)

// withAdvice returns an error's text, and what to do next where it ends in the bare
// words of the operating system.
func withAdvice(err error) string {
	text := err.Error()
	var damaged *ingest.CorruptError
	if errors.As(err, &damaged) && damaged.Dwelling == "" && strings.HasSuffix(text, damaged.Error()) {
		return text + "; if it is a store, greywatt salvage saves what is left of it; or go back to a backup"
	}
	var code syscall.Errno
	if !errors.As(err, &code) || !strings.HasSuffix(text, code.Error()) {
		return text
	}
	switch {
	case code == syscall.EADDRINUSE:
		return text + "; another program, or another greywatt, has that port: end it, or choose another port"
	case code == syscall.ENOTDIR:
		return text + "; a file has that name: name another folder"
	case code == syscall.EISDIR:
		return text + "; it is a folder: name a file"
	case code == syscall.ENOSPC:
		return text + "; make room, or name another disk"
	case errors.Is(code, fs.ErrNotExist):
		return text + "; check the name, and that its folder is there"
	case errors.Is(code, fs.ErrPermission):
		return text + "; give this user the right to it, or name another"
	}
	return text
}
