package table

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"

	"golang.org/x/text/transform"

	"greywatt/ingest/recipe"
)

// MaxLine is the longest line that is read, in bytes; a longer one is refused.
const MaxLine = 1 << 20

// maxJoined is how many lines a quoted cell may go over.
const maxJoined = 64

// A row is one row of a table.
type row struct {
	cells [][]byte // valid until the next
	line  int      // from 1
	raw   []byte   // for showing
	fault string   // why it has no cells
}

// rows gives the rows of a table, the header among them; io.EOF ends them.
type rows interface{ next() (row, error) }

// lines gives the lines of a text, without their ends.
type lines interface {
	// next returns the next line and its number; nil where it is too long.
	next() ([]byte, int, error)
	// tooLong returns the beginning of the last line that was too long.
	tooLong() []byte
}

// textRows reads delimited text.
type textRows struct {
	lines     lines
	f         *recipe.File
	cells     [][]byte
	joined    []byte
	ahead     []byte // lines taken for a quoted cell that did not end, to be read again
	aheadLine int
}

func newTextRows(r io.Reader, f *recipe.File) *textRows {
	if e := recipe.Encodings[f.Encoding]; e != nil {
		r = transform.NewReader(r, e.NewDecoder())
	}
	return &textRows{lines: &lineReader{r: bufio.NewReaderSize(r, 256<<10)}, f: f}
}

// skip steps over n lines.
func (t *textRows) skip(n int) error {
	for range n {
		if _, _, err := t.lines.next(); err != nil {
			return err
		}
	}
	return nil
}

func (t *textRows) next() (row, error) {
	for {
		line, number, err := t.line()
		if err != nil {
			return row{}, err
		}
		if line == nil {
			return row{line: number, raw: t.lines.tooLong(), fault: fmt.Sprintf("the line is longer than %d bytes", MaxLine)}, nil
		}
		if len(bytes.TrimSpace(line)) == 0 || t.f.Comment != "" && bytes.HasPrefix(line, []byte(t.f.Comment)) {
			continue
		}
		r := row{line: number, raw: line}
		if bytes.IndexByte(line, '"') < 0 {
			r.cells = t.split(line)
			return r, nil
		}
		return t.quoted(r)
	}
}

// line returns the next line, nil where it is too long.
func (t *textRows) line() ([]byte, int, error) {
	if len(t.ahead) > 0 {
		line, rest, _ := bytes.Cut(t.ahead, []byte{'\n'})
		t.ahead = rest
		t.aheadLine++
		return line, t.aheadLine - 1, nil
	}
	return t.lines.next()
}

// split cuts a line without quotes.
func (t *textRows) split(line []byte) [][]byte {
	cells := t.cells[:0]
	if t.f.Blanks {
		cells = append(cells, bytes.Fields(line)...)
		t.cells = cells
		return cells
	}
	for {
		i := bytes.IndexByte(line, t.f.Delimiter)
		if i < 0 {
			break
		}
		cells = append(cells, line[:i])
		line = line[i+1:]
	}
	t.cells = append(cells, line)
	return t.cells
}

// quoted reads a row with quotes by the rules of RFC 4180, over several lines
// where a quoted cell goes on. One that never ends costs its line only.
func (t *textRows) quoted(r row) (row, error) {
	t.joined = append(t.joined[:0], r.raw...)
	for lines := 1; ; lines++ {
		cells, err := t.parse(t.joined)
		if err == nil {
			r.cells, r.raw = cells, t.joined
			return r, nil
		}
		open := errors.Is(err, csv.ErrQuote) && lines < maxJoined && len(t.joined) < MaxLine && unbalanced(t.joined)
		if open {
			more, _, err := t.line()
			if err == nil && more != nil {
				t.joined = append(append(t.joined, '\n'), more...)
				continue
			}
			if err != nil && !errors.Is(err, io.EOF) {
				return row{}, err
			}
		}
		first, rest, more := bytes.Cut(t.joined, []byte{'\n'})
		if more { // those after the first are rows of their own
			t.ahead, t.aheadLine = append(bytes.Clone(rest), append([]byte{'\n'}, t.ahead...)...), r.line+1
			if len(t.ahead) > 0 && t.ahead[len(t.ahead)-1] == '\n' {
				t.ahead = t.ahead[:len(t.ahead)-1]
			}
		}
		r.raw, r.fault = first, "a quoted cell does not end, or has a bare quote in it"
		return r, nil
	}
}

// unbalanced reports whether text has an odd number of quotes.
func unbalanced(text []byte) bool { return bytes.Count(text, []byte{'"'})%2 == 1 }

func (t *textRows) parse(text []byte) ([][]byte, error) {
	c := csv.NewReader(bytes.NewReader(text))
	c.FieldsPerRecord = -1
	c.Comma = rune(t.f.Delimiter)
	c.TrimLeadingSpace = t.f.Blanks
	fields, err := c.Read()
	if err != nil {
		return nil, err
	}
	cells := t.cells[:0]
	for _, f := range fields {
		if t.f.Blanks && f == "" {
			continue
		}
		cells = append(cells, []byte(f))
	}
	t.cells = cells
	return cells, nil
}

// A lineReader gives lines without their ends: LF, CR LF, or CR.
type lineReader struct {
	r    *bufio.Reader
	buf  []byte
	n    int
	long []byte // the beginning of the last line that was too long
}

func (l *lineReader) tooLong() []byte { return l.long }

func (l *lineReader) next() ([]byte, int, error) {
	l.n++
	line, err := l.r.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		l.buf = append(l.buf[:0], line...)
		for errors.Is(err, bufio.ErrBufferFull) && len(l.buf) <= MaxLine {
			line, err = l.r.ReadSlice('\n')
			l.buf = append(l.buf, line...)
		}
		if line = l.buf; len(line) > MaxLine {
			l.long = append(l.long[:0], line[:256]...)
			for errors.Is(err, bufio.ErrBufferFull) {
				_, err = l.r.ReadSlice('\n')
			}
			if err != nil && !errors.Is(err, io.EOF) {
				return nil, l.n, err
			}
			return nil, l.n, nil
		}
	}
	if err != nil && !(errors.Is(err, io.EOF) && len(line) > 0) {
		l.n--
		return nil, l.n, err
	}
	line = bytes.TrimRight(line, "\r\n")
	if l.n == 1 {
		line = bytes.TrimPrefix(line, []byte("\ufeff"))
	}
	if line == nil {
		line = []byte{}
	}
	return line, l.n, nil
}

// lineSlice gives the lines of a stretch of text as [lineReader] does.
type lineSlice struct {
	text  []byte
	n     int  // lines before the next
	ended bool // it was asked for more than there is
	long  []byte
}

func (l *lineSlice) tooLong() []byte { return l.long }

func (l *lineSlice) next() ([]byte, int, error) {
	if len(l.text) == 0 {
		l.ended = true
		return nil, l.n, io.EOF
	}
	line := l.text
	if i := bytes.IndexByte(line, '\n'); i >= 0 {
		line = line[:i+1]
	}
	l.text = l.text[len(line):]
	l.n++
	if len(line) > MaxLine {
		l.long = line[:256]
		return nil, l.n, nil
	}
	line = bytes.TrimRight(line, "\r\n")
	if l.n == 1 {
		line = bytes.TrimPrefix(line, []byte("\ufeff"))
	}
	return line, l.n, nil
}
