package logger

import (
	"bufio"
	"fmt"
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// unmapProgram has the kernel forget which pages of the program file are mapped: those
// that may not be written and are as in the file, so that nothing is lost. Where it is
// not allowed, nothing happens.
func unmapProgram() {
	program, err := os.Executable()
	if err != nil {
		return
	}
	maps, err := os.Open("/proc/self/smaps")
	if err != nil {
		return
	}
	defer maps.Close()
	var from, to uintptr // of a mapping of the program; 0: of another
	for lines := bufio.NewScanner(maps); lines.Scan(); {
		of := strings.Fields(lines.Text())
		switch {
		case len(of) == 3 && of[0] == "Anonymous:" && of[1] == "0" && from < to:
			unix.Syscall(unix.SYS_MADVISE, from, to-from, unix.MADV_DONTNEED)
		case len(of) > 1 && strings.Contains(of[0], "-"):
			from, to = 0, 0
			if len(of) == 6 && of[5] == program && (of[1] == "r-xp" || of[1] == "r--p") {
				fmt.Sscanf(of[0], "%x-%x", &from, &to)
			}
		}
	}
}
