package cli

import (
	"strings"
	"unicode/utf8"
)

// TextWidth is how long lines of running text may be.
const TextWidth = 88

// Wrap breaks text at blanks so that no line is longer than width, where
// its words allow; lines after the first begin with indent.
func Wrap(text string, width int, indent string) string {
	var out strings.Builder
	column := 0
	for i, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case column+1+n > width:
			out.WriteString("\n" + indent)
			column = utf8.RuneCountInString(indent)
		default:
			out.WriteByte(' ')
			column++
		}
		out.WriteString(word)
		column += n
	}
	return out.String()
}
