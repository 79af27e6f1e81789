package ingest

import "strings"

// Mentions reports whether text holds a dwelling's or node's id as a word of its
// own: larch-04 is in "greywatt/larch-04/n1" and not in "larch-041" or
// "larch-04-b".
func Mentions(text, id string) bool {
	for at := 0; id != ""; {
		i := strings.Index(text[at:], id)
		if i < 0 {
			break
		}
		start, end := at+i, at+i+len(id)
		if (start == 0 || !isIDByte(text[start-1])) && (end == len(text) || !isIDByte(text[end])) {
			return true
		}
		at = start + 1
	}
	return false
}

func isIDByte(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '-' || c == '_' || c >= 0x80
}
