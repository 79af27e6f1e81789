package logger

import (
	"os"
	"regexp"
	"strconv"
	"testing"
)

// By the kernel's own count (proc(5), RssFile) fewer pages of files are resident once
// memory was given back, and the program goes on.
func TestGiveBack(t *testing.T) {
	resident := func() int {
		text, err := os.ReadFile("/proc/self/status")
		if err != nil {
			t.Fatal(err)
		}
		m := regexp.MustCompile(`RssFile:\s*(\d+) kB`).FindSubmatch(text)
		if m == nil {
			t.Fatalf("no RssFile in %s", text)
		}
		n, err := strconv.Atoi(string(m[1]))
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := resident()
	GiveBack()
	if after := resident(); after >= before {
		t.Errorf("%d kB of files are resident, before it were %d", after, before)
	}
}
