package site

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
)

// Without readings a key made of them could be guessed from the ids.
func TestPseudonymKeyOfNothing(t *testing.T) {
	dir := t.TempDir()
	st, err := (&DataFlag{Dir: dir}).Write()
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	first, err1 := MakeKey(t.Context(), st, []string{"elm"})
	second, err2 := MakeKey(t.Context(), st, []string{"elm"})
	if err1 != nil || err2 != nil || first == second {
		t.Errorf("two keys of no readings: %x, %x, %v, %v", first, second, err1, err2)
	}
}

// A key file that is named is made once, and said to be; one that others may
// read is told of.
func TestKeyFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "study.key")
	dir := t.TempDir()
	st, err := (&DataFlag{Dir: dir}).Write()
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	f := KeyFlag{file}
	read := func() (key [32]byte, said string) {
		var out bytes.Buffer
		key, err := f.Read(t.Context(), &cli.Console{Err: &out}, dir, st, nil)
		if err != nil {
			t.Fatal(err)
		}
		return key, out.String()
	}
	first, said := read()
	if !strings.Contains(said, file) {
		t.Errorf("a new key, and what is said is %q", said)
	}
	if again, said := read(); again != first || said != "" {
		t.Errorf("key %x, then %x; %q", first, again, said)
	}
	if runtime.GOOS == "windows" {
		return
	}
	if err := os.Chmod(file, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, said := read(); !strings.Contains(said, "chmod 600") {
		t.Errorf("a key that all may read: %q", said)
	}
}
