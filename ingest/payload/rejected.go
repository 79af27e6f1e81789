package payload

import (
	"bytes"
	"encoding/hex"
	"strings"
	"unicode"
	"unicode/utf8"

	"greywatt/ingest"
)

// A fault is why a record is rejected.
type fault struct {
	reason   ingest.Reason
	dwelling string
	detail   string
}

// Excerpt returns a record for showing to people: at most 256 bytes of it,
// cut between characters, control characters replaced; bytes that are not
// text, such as CBOR, in hexadecimal after "h'".
func Excerpt(raw []byte) string {
	raw = bytes.TrimSpace(raw)
	cut := raw
	if len(cut) > maxRecord {
		cut = cut[:maxRecord]
		for i := 0; i < utf8.UTFMax-1 && !utf8.RuneStart(raw[len(cut)]); i++ {
			cut = cut[:len(cut)-1]
		}
	}
	var s string
	switch {
	case utf8.Valid(cut):
		s = strings.Map(func(r rune) rune {
			if unicode.IsControl(r) {
				return unicode.ReplacementChar
			}
			return r
		}, string(cut))
	default:
		cut = raw[:min(len(raw), maxRecord/2)]
		s = "h'" + hex.EncodeToString(cut) + "'"
	}
	if len(cut) < len(raw) {
		s += "..."
	}
	return s
}
