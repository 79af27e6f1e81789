package report

import (
	"crypto/hmac"
	"crypto/sha256"
)

// letters are those of pseudonyms: no vowels, so that they spell nothing, and
// none that is taken for another.
const letters = "BCDFGHJKMNPQRSTVWXYZ2346789"

// Pseudonyms returns a name for each id, by a keyed hash (HMAC-SHA256): who has
// the key and the ids can tell which is which, others cannot. A name stays the
// same whatever ids come after it; it is as long as it takes to differ from
// those before it, four letters or more.
func Pseudonyms(key []byte, ids []string) []string {
	taken := map[string]bool{}
	names := make([]string, len(ids))
	for i, id := range ids {
		h := hmac.New(sha256.New, key)
		h.Write([]byte(id))
		code := make([]byte, 0, sha256.Size)
		for _, b := range h.Sum(nil) {
			code = append(code, letters[int(b)%len(letters)])
		}
		n := 4
		for n < len(code) && taken[string(code[:n])] {
			n++
		}
		taken[string(code[:n])] = true
		names[i] = "Home " + string(code[:n])
	}
	return names
}
