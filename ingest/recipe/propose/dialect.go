package propose

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"regexp"
	"strings"
	"unicode/utf8"

	"greywatt/ingest/recipe"
)

// A note is a key of the recipe with why it is proposed; doubt marks what the
// data cannot tell.
type note struct {
	key, value string // as TOML; key "" opens a table, whose header is value
	why        string
	doubt      bool
}

// A grid is a table as it is understood so far: named columns of text.
type grid struct {
	names  []string // headings, or numbers
	refs   []string // as TOML
	rows   [][]string
	format []note // of [file]
	point  byte   // the decimal sign
	group  byte
}

// decode returns the text as UTF-8 and what is to be said of its encoding.
func decode(text []byte) (string, []note) {
	name, why := "utf-8", ""
	zeros := bytes.Count(text[:min(len(text), 4096)], []byte{0})
	switch {
	case bytes.HasPrefix(text, []byte("\xff\xfe")) || bytes.HasPrefix(text, []byte("\xfe\xff")):
		name, why = "utf-16", "the file begins with a byte order mark of UTF-16"
	case zeros > min(len(text), 4096)/4 && text[0] == 0:
		name, why = "utf-16be", "every other byte is 0, the first among them"
	case zeros > min(len(text), 4096)/4:
		name, why = "utf-16le", "every other byte is 0"
	case !utf8.Valid(text):
		name, why = "windows-1252", "it is not UTF-8; of the older encodings this is the most frequent"
	}
	if e := recipe.Encodings[name]; e != nil {
		if plain, err := e.NewDecoder().Bytes(text); err == nil {
			text = plain
		}
		return string(bytes.TrimPrefix(text, []byte("\ufeff"))), []note{{"encoding", quoted(name), why, name == "windows-1252"}}
	}
	return string(bytes.TrimPrefix(text, []byte("\ufeff"))), nil
}

var delimiters = []struct {
	name  string
	comma rune
}{{";", ';'}, {"tab", '\t'}, {"|", '|'}, {",", ','}, {"blanks", ' '}}

// tableOf finds the dialect of delimited text.
func tableOf(text string) (*grid, error) {
	lines := strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n")
	for len(lines) > 0 && lines[len(lines)-1] == "" {
		lines = lines[:len(lines)-1]
	}
	lines = joinQuoted(lines)
	comment := commentSign(lines)
	bestAt, bestScore := -1, 0.0
	for i, d := range delimiters {
		if n, share := modalCells(lines, d.comma, comment); n > 1 && share > bestScore+0.05 {
			bestAt, bestScore = i, share
		}
	}
	if bestAt < 0 || bestScore < 0.5 {
		return nil, fmt.Errorf("no delimiter of %s makes columns of most lines", `; tab | , and blanks`)
	}
	d := delimiters[bestAt]
	width, _ := modalCells(lines, d.comma, comment)
	g := &grid{}
	g.say("format", quoted("csv"), "")
	if d.comma != ',' {
		g.say("delimiter", quoted(d.name), fmt.Sprintf("it makes %d columns of %.0f %% of the lines", width, 100*bestScore))
	}
	if comment != "" {
		g.say("comment", quoted(comment), "some lines begin with it")
	}
	skip := 0
	for skip < len(lines) && len(cells(lines[skip], d.comma)) != width {
		skip++
	}
	var rows [][]string
	for _, line := range lines[skip:] {
		if strings.TrimSpace(line) == "" || comment != "" && strings.HasPrefix(line, comment) {
			continue
		}
		if c := cells(line, d.comma); len(c) >= width-1 {
			rows = append(rows, c)
		}
	}
	if len(rows) < 2 {
		return nil, fmt.Errorf("too few rows to propose from: %d", len(rows))
	}
	if skip > 0 {
		g.say("skip_lines", fmt.Sprint(skip), "that many lines stand before the table")
	}
	g.points(rows)
	g.header(rows)
	return g, nil
}

func (g *grid) say(key, value, why string) {
	g.format = append(g.format, note{key: key, value: value, why: why})
}

// joinQuoted puts lines together that a quoted cell goes over.
func joinQuoted(lines []string) (joined []string) {
	for i := 0; i < len(lines); i++ {
		line := lines[i]
		for n := 1; n < 64 && strings.Count(line, `"`)%2 == 1 && i+n < len(lines); n++ {
			longer := strings.Join(lines[i:i+n+1], "\n")
			if strings.Count(longer, `"`)%2 == 0 {
				line, i = longer, i+n
				break
			}
		}
		joined = append(joined, line)
	}
	return joined
}

// commentSign returns what lines among the first and the rest begin with, if
// they are no rows.
func commentSign(lines []string) string {
	for _, sign := range []string{"#", "//", "%", "*"} {
		n := 0
		for _, l := range lines {
			if strings.HasPrefix(l, sign) {
				n++
			}
		}
		if n > 0 && n < len(lines)/2+1 {
			return sign
		}
	}
	return ""
}

// modalCells returns the most frequent number of cells, and its share of the
// lines.
func modalCells(lines []string, comma rune, comment string) (n int, share float64) {
	counts := map[int]int{}
	total := 0
	for i, l := range lines {
		if strings.TrimSpace(l) == "" || comment != "" && strings.HasPrefix(l, comment) || i > 2000 {
			continue
		}
		total++
		counts[len(cells(l, comma))]++
	}
	for k, c := range counts {
		if c > counts[n] || c == counts[n] && k > n {
			n = k
		}
	}
	return n, float64(counts[n]) / float64(max(total, 1))
}

func cells(line string, comma rune) []string {
	if comma == ' ' {
		return strings.Fields(line)
	}
	if !strings.Contains(line, `"`) {
		return strings.Split(line, string(comma))
	}
	r := csv.NewReader(strings.NewReader(line))
	r.Comma, r.LazyQuotes, r.FieldsPerRecord = comma, true, -1
	c, err := r.Read()
	if err != nil {
		return nil
	}
	return c
}

var (
	withComma = regexp.MustCompile(`^[-+]?\d+,\d+$`)
	withPoint = regexp.MustCompile(`^[-+]?\d+\.\d+$`)
	grouped   = regexp.MustCompile(`^\d{1,3}(?:[.,' ]\d{3})+[.,]\d+$`)
)

// points finds the decimal sign and that between groups of digits.
func (g *grid) points(rows [][]string) {
	g.point = '.'
	commas, points := 0, 0
	var example string
	for _, row := range rows[:min(len(rows), 2000)] {
		for _, c := range row {
			c = strings.TrimSpace(c)
			switch {
			case withComma.MatchString(c):
				commas++
				example = c
			case withPoint.MatchString(c):
				points++
			case grouped.MatchString(c):
				g.group = c[strings.IndexAny(c, ".,' ")]
			}
		}
	}
	if commas > points {
		g.point = ','
		g.say("decimal", quoted(","), fmt.Sprintf("numbers are written like %s", example))
	}
	if g.group == g.point {
		g.group = 0
	}
	if g.group != 0 {
		g.say("thousands", quoted(string(rune(g.group))), "large numbers are written in groups of three digits")
	}
}

// header parts the headings from the rows.
func (g *grid) header(rows [][]string) {
	numbers := func(row []string) int {
		n := 0
		for _, c := range row {
			if g.number(c) == g.number(c) {
				n++
			}
		}
		return n
	}
	typical := numbers(rows[len(rows)/2])
	if numbers(rows[0]) > typical/2 {
		g.say("header", "false", "the first line holds numbers as the others do")
		for i := range rows[0] {
			g.names = append(g.names, fmt.Sprint(i+1))
			g.refs = append(g.refs, fmt.Sprint(i+1))
		}
		g.rows = rows
		return
	}
	seen := map[string]int{}
	for _, h := range rows[0] {
		seen[strings.TrimSpace(h)]++
	}
	for i, h := range rows[0] {
		h = strings.TrimSpace(h)
		g.names = append(g.names, h)
		ref := quoted(h)
		if h == "" || seen[h] > 1 {
			ref = fmt.Sprint(i + 1)
		}
		g.refs = append(g.refs, ref)
	}
	g.rows = rows[1:]
	if len(g.rows) > 1 && typical > 0 && numbers(g.rows[0]) == 0 {
		g.say("units_line", "true", "the line after the header holds no numbers")
		for i, u := range g.rows[0] {
			if i < len(g.names) && strings.TrimSpace(u) != "" {
				g.names[i] += " [" + strings.TrimSpace(u) + "]"
			}
		}
		g.rows = g.rows[1:]
	}
}

// number reads a cell, NaN where it is no number.
func (g *grid) number(cell string) float64 {
	v, ok := recipe.ParseNumber([]byte(strings.TrimSpace(cell)), g.point, g.group)
	if !ok {
		return math.NaN()
	}
	return v
}

// column returns a column's cells.
func (g *grid) column(i int) []string {
	c := make([]string, len(g.rows))
	for k, row := range g.rows {
		if i < len(row) {
			c[k] = strings.TrimSpace(row[i])
		}
	}
	return c
}

// quoted returns s as a basic string of TOML 1.0, which takes no control character
// as it stands.
func quoted(s string) string {
	b := []byte{'"'}
	for _, r := range s {
		switch {
		case r == '\\' || r == '"':
			b = append(b, '\\', byte(r))
		case r == '\n':
			b = append(b, `\n`...)
		case r == '\t':
			b = append(b, `\t`...)
		case r < ' ' || r == 0x7f:
			b = fmt.Appendf(b, `\u%04X`, r)
		default:
			b = utf8.AppendRune(b, r)
		}
	}
	return string(append(b, '"'))
}
