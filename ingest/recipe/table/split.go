package table

import (
	"bytes"
	"errors"
	"io"
	"slices"

	"greywatt/ingest/recipe"
)

// A splitter cuts a text into stretches of whole rows, of which a quoted one may go
// over several lines.
type splitter struct {
	r     io.Reader
	f     *recipe.File
	size  int    // of a stretch in bytes, unless one row is longer
	lines int    // handed out
	rest  []byte // read and not handed out
	err   error  // of r, once it has one
}

// next returns the next stretch, whose text is in buf or what buf had to grow to, nil
// where there is none. After the last it returns the reader's error, io.EOF at the end
// of the file; the row in which a reader breaks off is not handed out.
func (s *splitter) next(buf []byte) ([]byte, error) {
	buf = append(buf[:0], s.rest...)
	s.rest = s.rest[:0]
	for want := s.size; ; want *= 2 {
		buf = s.fill(buf, want)
		end, lines := s.cut(buf, errors.Is(s.err, io.EOF))
		if end > 0 {
			s.rest = append(s.rest, buf[end:]...)
			s.lines += lines
			return buf[:end:cap(buf)], nil
		}
		if s.err != nil {
			return nil, s.err
		}
		if len(buf) > MaxLine && bytes.IndexByte(buf, '\n') < 0 {
			return s.skipLine(buf), nil
		}
	}
}

// fill reads until buf has size bytes or there are no more.
func (s *splitter) fill(buf []byte, size int) []byte {
	if len(buf) >= size {
		return buf
	}
	buf = slices.Grow(buf, size-len(buf))
	for len(buf) < size && s.err == nil {
		var n int
		n, s.err = s.r.Read(buf[len(buf):size])
		buf = buf[:len(buf)+n]
	}
	return buf
}

// cut returns where the last whole row of text ends, or the one that makes up the most
// lines of a stretch, and the lines up to there; 0 where there is none. whole says that
// the file ends with the text.
func (s *splitter) cut(text []byte, whole bool) (end, lines int) {
	if s.f.Format == recipe.JSON || bytes.IndexByte(text, '"') < 0 {
		if end = len(text); !whole {
			end = bytes.LastIndexByte(text, '\n') + 1
		}
		if lines = linesIn(text[:end]); lines <= chunkMax {
			return end, lines
		}
		end = 0
		for range chunkMax {
			end += bytes.IndexByte(text[end:], '\n') + 1
		}
		return end, chunkMax
	}
	for lines < chunkMax && end < len(text) {
		n := bytes.IndexByte(text[end:], '\n') + 1
		if n == 0 {
			if !whole {
				break
			}
			n = len(text) - end
		}
		taken := 1
		// A row of an even number of quotes ends with its line, if wrongly.
		if n <= MaxLine && unbalanced(text[end:end+n]) {
			if n, taken = s.row(text[end:], s.lines+lines, whole); n == 0 {
				break
			}
		}
		end, lines = end+n, lines+taken
	}
	return end, lines
}

// row returns how many bytes and lines the row takes that text begins with, 0 where
// that cannot be told before more was read. before is the number of lines before it.
func (s *splitter) row(text []byte, before int, whole bool) (n, lines int) {
	from := &lineSlice{text: text, n: before}
	if !whole { // a line that has begun may go on
		if end := bytes.LastIndexByte(text, '\n') + 1; len(text)-end <= MaxLine {
			from.text = text[:end]
		}
	}
	line, _, _ := from.next()
	lines = 1
	if len(bytes.TrimSpace(line)) > 0 && !(s.f.Comment != "" && bytes.HasPrefix(line, []byte(s.f.Comment))) {
		t := &textRows{lines: from, f: s.f}
		if r, _ := t.quoted(row{raw: line}); r.fault == "" {
			lines = from.n - before
		} else if from.ended && !whole {
			return 0, 0
		}
	}
	for range lines {
		if i := bytes.IndexByte(text[n:], '\n'); i >= 0 {
			n += i + 1
		} else {
			n = len(text)
		}
	}
	return n, lines
}

func linesIn(text []byte) int {
	n := bytes.Count(text, []byte{'\n'})
	if len(text) > 0 && text[len(text)-1] != '\n' {
		n++
	}
	return n
}

// skipLine steps over the line that buf begins with, which is too long, and returns
// its beginning in its place.
func (s *splitter) skipLine(buf []byte) []byte {
	kept := buf[:MaxLine+1]
	s.lines++
	for rest := buf[len(kept):]; ; rest = s.fill(s.rest[:0], s.size) {
		if end := bytes.IndexByte(rest, '\n') + 1; end > 0 {
			s.rest = append(s.rest[:0], rest[end:]...)
			return kept
		}
		if s.err != nil {
			s.rest = s.rest[:0]
			return kept
		}
	}
}
