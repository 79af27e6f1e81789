// Package pseudonym gives dwellings and events names that tell nothing, by a
// keyed hash (HMAC-SHA256, RFC 2104): who has the key and the ids can tell which
// is which, others cannot, not even by trying ids. The names stay the same as
// long as the key does. It does not hide what the figures beside a name give
// away.
package pseudonym

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strings"
)

// letters are those of pseudonyms: no vowels, so that they spell nothing, and
// none that is taken for another.
const letters = "BCDFGHJKMNPQRSTVWXYZ2346789"

// A Key is what pseudonyms are made with. It is as secret as the ids.
type Key [sha256.Size]byte

// Dwellings returns a name for each id. A name stays the same whatever ids come
// after it; it is as long as it takes to differ from those before it, four
// letters or more.
func (k Key) Dwellings(ids []string) []string {
	taken := map[string]bool{}
	names := make([]string, len(ids))
	for i, id := range ids {
		code := k.code(id)
		n := 4
		for n < len(code) && taken[code[:n]] {
			n++
		}
		taken[code[:n]] = true
		names[i] = "Home " + code[:n]
	}
	return names
}

// eventLetters are enough that two of a million events share a name once in
// twenty million datasets.
const eventLetters = 14

// Event returns a name for an event's id that tells neither its dwelling nor its
// time.
func (k Key) Event(id string) string {
	return k.code("event\x00" + id)[:eventLetters] // no dwelling's id holds a NUL
}

func (k Key) code(text string) string {
	h := hmac.New(sha256.New, k[:])
	h.Write([]byte(text))
	code := h.Sum(nil)
	for i, b := range code {
		code[i] = letters[int(b)%len(letters)]
	}
	return string(code)
}

// ReadKey reads a key file: 64 hexadecimal digits.
func ReadKey(file string) (Key, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return Key{}, fmt.Errorf("pseudonyms: %w", err)
	}
	b, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(b) != len(Key{}) {
		return Key{}, fmt.Errorf("%s: not a key of %d hexadecimal digits; restore it, or delete it for new pseudonyms", file, 2*len(Key{}))
	}
	return Key(b), nil
}

// Write keeps the key in a new file that its owner alone may read.
func (k Key) Write(file string) error {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("pseudonyms: %w", err)
	}
	_, err = fmt.Fprintln(f, hex.EncodeToString(k[:]))
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		os.Remove(file)
		return fmt.Errorf("pseudonyms: %w", err)
	}
	return nil
}
