package pseudonym

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
)

func key(text string) (k Key) {
	copy(k[:], text)
	return k
}

// The hashes by OpenSSL, their bytes modulo 27 by Python:
//
//	printf larch-04 | openssl dgst -sha256 -mac HMAC -macopt hexkey:6b657900…00 (32 bytes): a556b4a9d49f5764…
//	printf 'event\0larch-04-20260112T071403Z' | openssl …: fd90efe2da327771…
func TestNames(t *testing.T) {
	k := key("key")
	if got := k.Dwellings([]string{"larch-04"})[0]; got != "Home FHYK" {
		t.Errorf("dwelling %s", got)
	}
	if got := k.Event("larch-04-20260112T071403Z"); got != "PN6PD6QHRPMCST" {
		t.Errorf("event %s", got)
	}
}

func TestDwellings(t *testing.T) {
	k := key("key")
	ids := []string{"larch-01", "larch-02", "larch-03"}
	few := k.Dwellings(ids)
	many := k.Dwellings(append(ids, "larch-04"))
	if !slices.Equal(few, many[:3]) {
		t.Errorf("names changed with a fourth dwelling: %v, %v", few, many)
	}
	if slices.Equal(few, key("other").Dwellings(ids)) {
		t.Error("the same names from another key")
	}
	var crowd []string
	for i := range 5000 {
		crowd = append(crowd, strings.Repeat("x", i))
	}
	names := k.Dwellings(crowd)
	slices.Sort(names)
	if len(slices.Compact(names)) != len(crowd) {
		t.Error("two dwellings of one name")
	}
	if m := regexp.MustCompile(`^Home [BCDFGHJKMNPQRSTVWXYZ2346789]{4}$`); !m.MatchString(few[0]) {
		t.Errorf("name %q", few[0])
	}
}

func TestEvents(t *testing.T) {
	k := key("key")
	names := map[string]bool{}
	for i := range 20_000 {
		names[k.Event(fmt.Sprintf("larch-04-202601%02dT%06dZ", i%28+1, i))] = true
	}
	if len(names) != 20_000 {
		t.Errorf("%d names of 20000 events", len(names))
	}
	if k.Event("larch-04") == strings.TrimPrefix(k.Dwellings([]string{"larch-04"})[0], "Home ") || k.Event("a") == key("other").Event("a") {
		t.Error("an event's name is another thing's")
	}
}

func TestKeyFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "pseudonyms.key")
	if _, err := ReadKey(file); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	k := key("a key")
	if err := k.Write(file); err != nil {
		t.Fatal(err)
	}
	if got, err := ReadKey(file); err != nil || got != k {
		t.Errorf("read %x, %v", got, err)
	}
	if info, err := os.Stat(file); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v; want it readable to its owner alone", info.Mode(), err)
	}
	if err := key("another").Write(file); !errors.Is(err, fs.ErrExist) {
		t.Errorf("a key was written over: %v", err)
	}
	if err := os.WriteFile(file, []byte("half a k"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadKey(file); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("a broken key: %v", err)
	}
}
