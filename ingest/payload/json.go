package payload

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"

	"github.com/go-json-experiment/json/jsontext"

	"greywatt/ingest"
)

// A jsonReader reads the tokens of a JSON pack. They come from jsontext, which
// is strict and stops at the first fault; the reader adds that it can be set to
// go on behind one.
type jsonReader struct {
	*jsontext.Decoder
	input    bytes.Buffer
	src      []byte // the pack as it came
	repaired []byte // a copy with the faults overwritten, once there are any
	shift    int    // where in src the decoder began
}

// errNoNumber is of a word such as 1.2.3, of which jsontext reads the beginning.
var errNoNumber = errors.New("not a number")

func newJSONReader() jsonReader {
	return jsonReader{Decoder: jsontext.NewDecoder(bytes.NewReader(nil))}
}

func (j *jsonReader) open(src []byte) {
	j.src, j.repaired = src, j.repaired[:0]
	j.begin(src, 0)
}

func (j *jsonReader) begin(text []byte, at int) {
	j.shift = at
	j.input = *bytes.NewBuffer(text[at:])
	// Labels given twice are distinguished here and rejected with their record.
	j.Reset(&j.input, jsontext.AllowDuplicateNames(true))
}

func (j *jsonReader) close() {
	j.src, j.input = nil, bytes.Buffer{}
	if cap(j.repaired) > 1<<20 {
		j.repaired = nil
	}
}

// offset returns where in src the next token is looked for.
func (j *jsonReader) offset() int { return j.shift + int(j.InputOffset()) }

// resume goes on inside the pack's array with the element at src[at], where at
// is 1 or more.
func (j *jsonReader) resume(at int) error {
	j.copied()[at-1] = '['
	j.begin(j.repaired, at-1)
	_, err := j.ReadToken()
	return err
}

func (j *jsonReader) copied() []byte {
	if len(j.repaired) == 0 {
		j.repaired = append(j.repaired, j.src...)
	}
	return j.repaired
}

// json reads a JSON pack.
func (d *Decoder) json(data []byte) {
	if !d.generalOnly {
		if d.plainPack(data) {
			return
		}
		d.undo()
	}
	j := &d.text
	j.open(data)
	defer j.close()
	if tok, err := j.ReadToken(); err != nil || tok.Kind() != '[' {
		d.rejectRest(data, "not a SenML pack, which is a JSON array of records")
		return
	}
	for j.PeekKind() != ']' {
		if d.full() || !d.jsonElement() {
			return
		}
	}
	if _, err := j.ReadToken(); err != nil {
		d.breakOff(data, err)
		return
	}
	if d.records == 0 {
		d.rejectRest(data, "empty pack; at least one record is wanted")
	}
	if end := j.offset(); len(bytes.TrimSpace(data[end:])) > 0 {
		d.rejectRest(data[end:], "text after the pack, from byte %d on", end+1)
	}
}

// jsonElement reads one element of the pack's array and reports whether the
// rest may be read.
func (d *Decoder) jsonElement() (goOn bool) {
	j := &d.text
	before := j.offset()
	kind := j.PeekKind()
	if kind != '{' {
		err := j.SkipValue()
		if end := j.offset(); err == nil && end < len(j.src) && inWord(j.src[end]) {
			err = errNoNumber
		}
		if err != nil {
			return d.jsonSkipElement(before, err)
		}
		d.reject(ingest.BadPayload, j.element(before), "an element of the pack is not an object")
		return true
	}
	err := d.jsonRecord()
	if err == nil {
		return d.take(j.element(before))
	}

	start := before + bytes.IndexByte(j.src[before:], '{')
	size, repaired := repair(j.copied()[start:])
	if size < 0 {
		d.breakOff(j.src[start:], err)
		return false
	}
	end := start + size
	if repaired && j.resume(start) == nil && d.jsonRecord() == nil {
		return d.take(j.src[start:end])
	}
	d.reject(ingest.BadPayload, j.src[start:end], "%s", j.describe(err))
	if bytes.Contains(j.src[start:end], []byte(`"b`)) {
		d.base.loseAll()
	}
	return d.jsonSkipTo(end, err)
}

// jsonSkipElement refuses an element that is no object and that jsontext cannot
// read either, and goes on behind it if its end can be told.
func (d *Decoder) jsonSkipElement(from int, cause error) (goOn bool) {
	j := &d.text
	start := from
	for start < len(j.src) && (isBlank(j.src[start]) || j.src[start] == ',') {
		start++
	}
	size := -1
	if before := bytes.TrimRight(j.src[:start], " \t\r\n"); before[len(before)-1] == ',' || before[len(before)-1] == '[' {
		size, _ = repair(j.copied()[start:])
	}
	if size < 0 {
		d.breakOff(j.src[from:], cause)
		return false
	}
	d.reject(ingest.BadPayload, j.src[start:start+size], "an element of the pack is not an object: %s", j.describe(cause))
	return d.jsonSkipTo(start+size, cause)
}

// jsonSkipTo goes on with the element after the one that ends at src[end].
func (d *Decoder) jsonSkipTo(end int, cause error) (goOn bool) {
	j := &d.text
	next := end
	for next < len(j.src) && isBlank(j.src[next]) {
		next++
	}
	if next < len(j.src) && j.src[next] == ',' {
		next++
	} else if next == len(j.src) || j.src[next] != ']' {
		d.breakOff(j.src[end:], cause)
		return false
	}
	if err := j.resume(next); err != nil {
		d.breakOff(j.src[next:], err)
		return false
	}
	return true
}

// element returns the text of the element that has just been read and that
// begins at or after src[from].
func (j *jsonReader) element(from int) []byte {
	for isBlank(j.src[from]) || j.src[from] == ',' {
		from++
	}
	return j.src[from:j.offset()]
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' || c == '\n' || c == '\r' }

// jsonRecord reads one object into d.rec.
func (d *Decoder) jsonRecord() error {
	j, r := &d.text, &d.rec
	r.reset()
	d.arena = d.arena[:0]
	if _, err := j.ReadToken(); err != nil { // the {
		return err
	}
	for {
		tok, err := j.ReadToken()
		if err != nil {
			return err
		}
		if tok.Kind() == '}' {
			return nil
		}
		name := tok.String()
		l, known := parseLabel(name)
		if !known {
			r.unknown(name)
		}
		if !known || !(textLabels | numberLabels).has(l) {
			if err := j.SkipValue(); err != nil {
				return err
			}
			if known {
				r.give(l)
			}
			continue
		}
		value, err := j.ReadValue()
		if err != nil {
			return err
		}
		r.give(l)
		// value itself is valid until the next read only; src lasts as long as the record.
		end := j.offset()
		start := end - len(value)
		for end < len(j.src) && inWord(j.src[start]) && inWord(j.src[end]) {
			end++ // a repaired word, which was longer
		}
		d.jsonField(l, value, j.src[start:end])
	}
}

// jsonField stores a value. raw is where it stands in the pack.
func (d *Decoder) jsonField(l label, value, raw []byte) {
	r := &d.rec
	isText := value[0] == '"'
	isNumber := value[0] == '-' || '0' <= value[0] && value[0] <= '9'
	switch {
	case isText && textLabels.has(l) && bytes.IndexByte(value, '\\') < 0:
		r.text[l] = raw[1 : len(raw)-1]
	case isText && textLabels.has(l):
		from := len(d.arena)
		d.arena, _ = jsontext.AppendUnquote(d.arena, value) // value is valid, as jsontext has read it
		r.text[l] = d.arena[from:len(d.arena):len(d.arena)]
	case isNumber && numberLabels.has(l):
		// Out of range is infinite, and is refused where the number is used.
		r.number[l], _ = strconv.ParseFloat(string(value), 64)
	default:
		r.spoil(l, raw)
	}
}

// parseLabel returns the label with the given JSON name.
func parseLabel(name string) (label, bool) {
	switch name {
	case "n":
		return labelName, true
	case "v":
		return labelValue, true
	case "t":
		return labelTime, true
	case "u":
		return labelUnit, true
	}
	for l, n := range labelNames {
		if n == name {
			return label(l), true
		}
	}
	return 0, false
}

// repair looks for the end of the value that text begins with, by its braces and
// quotes, and returns its size, or -1 where it has no end. On the way it
// overwrites each bare word that is no JSON value, such as NaN or 1.2.3, with an
// empty array, which no field takes; repaired says whether there was one.
func repair(text []byte) (size int, repaired bool) {
	depth := 0
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case c == '"':
			for i++; i < len(text) && text[i] != '"'; i++ {
				if text[i] == '\\' {
					i++
				}
			}
			if i >= len(text) {
				return -1, false
			}
		case c == '{' || c == '[':
			depth++
		case c == '}' || c == ']':
			depth--
		case inWord(c):
			from := i
			for i+1 < len(text) && inWord(text[i+1]) {
				i++
			}
			word := text[from : i+1]
			if len(word) >= 2 && !jsontext.Value(word).IsValid() {
				copy(word, "[]")
				for k := 2; k < len(word); k++ {
					word[k] = ' '
				}
				repaired = true
			}
		case depth > 0:
			continue // separators and what has no business there
		}
		switch {
		case depth == 0:
			return i + 1, repaired
		case depth < 0:
			return -1, false
		}
	}
	return -1, false
}

func inWord(c byte) bool {
	return 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '+' || c == '-' || c == '.' || c == '_'
}

// breakOff sets the rest of the pack aside.
func (d *Decoder) breakOff(rest []byte, err error) {
	d.rejectRest(rest, "the pack breaks off: %s; what precedes counts", d.text.describe(err))
}

// describe says what jsontext found, and where in the pack.
func (j *jsonReader) describe(err error) string {
	var syntax *jsontext.SyntacticError
	switch {
	case errors.As(err, &syntax):
		return fmt.Sprintf("%v at byte %d", syntax.Err, j.shift+int(syntax.ByteOffset)+1)
	case errors.Is(err, io.EOF):
		return "it ends before its last ]"
	}
	return err.Error()
}
