//go:build unix

package cli

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What the operating system refuses ends in what to do; what says so itself is left.
func TestAdvice(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, missing := os.Open(filepath.Join(dir, "nothing"))
	_, folder := os.ReadFile(dir)
	_, taken := net.Listen("tcp", l.Addr().String())
	for _, c := range []struct {
		err  error
		want string
	}{
		{missing, "check the name"},
		{folder, "it is a folder"},
		{os.MkdirAll(filepath.Join(file, "below"), 0o700), "a file has that name"},
		{taken, "choose another port"},
		{fmt.Errorf("page: %w", taken), "choose another port"},
	} {
		if got := withAdvice(c.err); !strings.HasPrefix(got, c.err.Error()+"; ") || !strings.Contains(got, c.want) {
			t.Errorf("%q, want %q behind it", got, c.want)
		}
	}
	if own := fmt.Errorf("%w; take the other one", missing); withAdvice(own) != own.Error() {
		t.Errorf("two pieces of advice: %q", withAdvice(own))
	}
}
