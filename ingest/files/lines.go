package files

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
)

const (
	chunkSize = 256 << 10 // bytes; about 6000 readings of SenML, 20 000 of a table
	chunkMax  = 8192      // lines, so that the rejected records of a chunk are bounded too
	headerMax = 64 << 10  // bytes of a table's header line
)

// A chunk is a stretch of whole lines, each ended by a newline, but perhaps
// for the last of the file.
type chunk struct {
	text    []byte
	line    int  // number of its first line, from 1
	tooLong bool // one line, longer than MaxLine; text is its beginning
}

// A lineReader cuts what r gives into chunks.
type lineReader struct {
	r    io.Reader
	size int    // of a chunk in bytes, unless one line is longer
	rest []byte // read and not handed out
	line int    // lines handed out
	err  error  // of r, once it has one
}

// errLongLine says that next has met a line longer than its limit, and has not
// handed it out.
var errLongLine = errors.New("a long line")

// next returns the next chunk, whose text is in buf or what buf had to grow to.
// A line that does not fit into limit bytes is errLongLine, and comes with the
// next call, when that has a higher one; beyond MaxLine it is a chunk marked so.
// After the last chunk next returns the reader's error, io.EOF at the end of
// the file; the line in which a reader breaks off is not handed out.
func (l *lineReader) next(buf []byte, limit int) (chunk, error) {
	buf = slices.Grow(buf[:0], limit) // once, for growing leaves garbage
	buf = append(buf, l.rest...)
	l.rest = l.rest[:0]
	for {
		if len(buf) >= l.size || l.err != nil {
			if end := lastLineEnd(buf); end > 0 {
				l.rest = append(l.rest, buf[end:]...)
				return l.take(buf[:end]), nil
			}
			switch {
			case errors.Is(l.err, io.EOF) && len(buf) > 0:
				return l.take(buf), nil
			case l.err != nil:
				return chunk{}, l.err
			case len(buf) > MaxLine:
				return l.skipLine(buf)
			case len(buf) >= limit && limit < MaxLine:
				l.rest = append(l.rest, buf...)
				return chunk{}, errLongLine
			}
		}
		buf = l.fill(buf, min(max(l.size, 2*len(buf)), limit+1))
	}
}

// lastLineEnd returns where the last whole line of text ends, or the one that
// makes up the most lines of a chunk; 0 where there is none.
func lastLineEnd(text []byte) int {
	end := bytes.LastIndexByte(text, '\n') + 1
	if bytes.Count(text[:end], []byte{'\n'}) <= chunkMax {
		return end
	}
	end = 0
	for range chunkMax {
		end += bytes.IndexByte(text[end:], '\n') + 1
	}
	return end
}

// take counts the lines of text, which is handed out.
func (l *lineReader) take(text []byte) chunk {
	c := chunk{text: text, line: l.line + 1}
	l.line += bytes.Count(text, []byte{'\n'})
	if text[len(text)-1] != '\n' {
		l.line++
	}
	return c
}

// fill reads until buf has size bytes or there are no more.
func (l *lineReader) fill(buf []byte, size int) []byte {
	buf = slices.Grow(buf, size-len(buf))
	for len(buf) < size && l.err == nil {
		var n int
		n, l.err = l.r.Read(buf[len(buf):size])
		buf = buf[:len(buf)+n]
	}
	return buf
}

// skipLine steps over the line that buf begins with.
func (l *lineReader) skipLine(buf []byte) (chunk, error) {
	c := chunk{text: bytes.Clone(buf[:1024]), line: l.line + 1, tooLong: true}
	l.line++
	for {
		if end := bytes.IndexByte(buf, '\n') + 1; end > 0 {
			l.rest = append(l.rest, buf[end:]...)
			return c, nil
		}
		if l.err != nil {
			return c, nil
		}
		buf = l.fill(buf[:0], l.size)
	}
}

// header returns the first line that is not blank, without its end, and its
// number; io.EOF where there is none.
func (l *lineReader) header() (text []byte, number int, err error) {
	buf := l.rest
	for {
		end := bytes.IndexByte(buf, '\n') + 1
		if end == 0 && errors.Is(l.err, io.EOF) {
			end = len(buf)
		}
		switch {
		case end > 0:
			l.line++
			if line := bytes.TrimSpace(trimBOM(buf[:end])); len(line) > 0 {
				l.rest = buf[end:]
				return line, l.line, nil
			}
			buf = buf[end:]
		case l.err != nil:
			return nil, l.line, l.err
		case len(buf) > headerMax:
			return nil, l.line + 1, fmt.Errorf("longer than %d bytes", headerMax)
		default:
			buf = l.fill(buf, len(buf)+4096)
		}
	}
}

// trimBOM takes off the mark that some spreadsheets begin UTF-8 with.
func trimBOM(text []byte) []byte { return bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")) }
