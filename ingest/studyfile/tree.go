package studyfile

import (
	"bytes"
	"errors"
	"fmt"
	"sort"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// A tomlValue is a value of the study file with its line: a string, bool,
// int64, float64, toml date or time, *tomlTable or []*tomlValue.
type tomlValue struct {
	line int
	is   any
}

// A tomlTable is a table with the lines of what it holds.
type tomlTable struct {
	line    int
	values  map[string]*tomlValue
	stated  bool // has a header of its own, an inline table has none
	damaged bool // part of it could not be read: a missing key may be there
}

func newTable(line int) *tomlTable {
	return &tomlTable{line: line, values: map[string]*tomlValue{}}
}

// A treeBuilder turns TOML into tomlTables and goes on after a mistake as far
// as that makes sense, so that one reading finds them all.
type treeBuilder struct {
	data     []byte
	lines    []int // offset of each line's first byte
	parser   unstable.Parser
	root     *tomlTable
	current  *tomlTable // nil after a header that has no place
	mistakes Mistakes
}

// buildTree reads a whole file. A syntax mistake spoils the rest of its table;
// reading goes on at the next header.
func buildTree(data []byte) (*tomlTable, Mistakes) {
	b := &treeBuilder{data: data, lines: lineStarts(data), root: newTable(1)}
	b.root.stated = true
	b.current = b.root
	for rest := data; ; {
		b.parser.Reset(rest)
		for b.parser.NextExpression() {
			b.expression(b.parser.Expression())
		}
		err := b.parser.Error()
		if err == nil {
			break
		}
		at := b.syntaxMistake(err, len(data)-len(rest))
		next := bytes.Index(data[at:], []byte("\n["))
		if next < 0 || startsHeader(data, at) {
			b.root.damaged = true
			break
		}
		rest = data[at+next+1:]
	}
	return b.root, b.mistakes
}

// syntaxMistake records err and returns the offset it points at; from is
// where the parser began.
func (b *treeBuilder) syntaxMistake(err error, from int) int {
	at, what := len(b.data), err.Error()
	if syntax := (*unstable.ParserError)(nil); errors.As(err, &syntax) {
		what = syntax.Message
		if len(syntax.Highlight) > 0 {
			at = b.offset(syntax.Highlight)
		}
	}
	at = max(at, from)
	if b.current != nil {
		b.current.damaged = true
	}
	b.mistake(b.line(at), "", "not TOML: "+what, "correct it (text stands in quotes, each key on a line); the rest of its table was not read")
	return min(at, len(b.data))
}

// startsHeader reports whether the line that holds offset at begins with "[":
// what follows such a broken header has no known place.
func startsHeader(data []byte, at int) bool {
	start := bytes.LastIndexByte(data[:at], '\n') + 1
	return bytes.HasPrefix(bytes.TrimLeft(data[start:], " \t"), []byte("["))
}

func (b *treeBuilder) mistake(line int, key, what, remedy string) {
	b.mistakes = append(b.mistakes, Mistake{Line: line, Key: key, What: what, Remedy: remedy})
}

func (b *treeBuilder) expression(e *unstable.Node) {
	parts, keys, line := b.key(e)
	last := parts[len(parts)-1]
	switch e.Kind {
	case unstable.KeyValue:
		if b.current == nil {
			return
		}
		if t := b.descend(b.current, parts[:len(parts)-1], line); t != nil {
			b.put(t, last, keys, b.value(e.Value(), line))
		}
	case unstable.Table:
		if b.current = b.descend(b.root, parts[:len(parts)-1], line); b.current != nil {
			b.current = b.openTable(b.current, last, keys, line)
		}
	case unstable.ArrayTable:
		if b.current = b.descend(b.root, parts[:len(parts)-1], line); b.current != nil {
			b.current = b.appendTable(b.current, last, keys, line)
		}
	}
}

// key returns the parts of e's dotted key, the key as written, and its line.
func (b *treeBuilder) key(e *unstable.Node) (parts []string, written string, line int) {
	for it := e.Key(); it.Next(); {
		if line == 0 {
			line = b.lineOf(it.Node())
		}
		parts = append(parts, string(it.Node().Data))
	}
	return parts, strings.Join(parts, "."), line
}

// descend follows the parts of a dotted key, making tables where there are
// none; of a list of tables it takes the last. It returns nil, and records a
// mistake, where a part is a plain value.
func (b *treeBuilder) descend(t *tomlTable, parts []string, line int) *tomlTable {
	for i, part := range parts {
		v, there := t.values[part]
		if !there {
			v = &tomlValue{line, newTable(line)}
			t.values[part] = v
		}
		if t = v.lastTable(); t == nil {
			b.mistake(line, strings.Join(parts[:i+1], "."),
				fmt.Sprintf("is a plain value on line %d, and a table here", v.line), "keep one of the two")
			return nil
		}
	}
	return t
}

// lastTable returns the table that v is, or the last of the tables it lists.
func (v *tomlValue) lastTable() *tomlTable {
	switch is := v.is.(type) {
	case *tomlTable:
		return is
	case []*tomlValue:
		if len(is) > 0 {
			t, _ := is[len(is)-1].is.(*tomlTable)
			return t
		}
	}
	return nil
}

func (b *treeBuilder) put(t *tomlTable, name, written string, v *tomlValue) {
	if first, there := t.values[name]; there {
		b.mistake(v.line, written, fmt.Sprintf("stated twice, first on line %d", first.line), "keep one of them")
		return
	}
	t.values[name] = v
}

func (b *treeBuilder) openTable(parent *tomlTable, name, written string, line int) *tomlTable {
	v, there := parent.values[name]
	if !there {
		t := newTable(line)
		t.stated = true
		parent.values[name] = &tomlValue{line, t}
		return t
	}
	t, ok := v.is.(*tomlTable)
	switch {
	case !ok:
		b.mistake(line, written, fmt.Sprintf("a table here, something else on line %d", v.line),
			fmt.Sprintf("write [[%s]] where it is a list", written))
		return nil
	case t.stated:
		b.mistake(line, "["+written+"]", fmt.Sprintf("stated twice, first on line %d", t.line), "put its keys under one header")
	default:
		t.stated, t.line = true, line
	}
	return t
}

func (b *treeBuilder) appendTable(parent *tomlTable, name, written string, line int) *tomlTable {
	t := newTable(line)
	t.stated = true
	v, there := parent.values[name]
	if !there {
		v = &tomlValue{line, []*tomlValue(nil)}
		parent.values[name] = v
	}
	list, ok := v.is.([]*tomlValue)
	if !ok {
		b.mistake(line, written, fmt.Sprintf("a list of tables here, something else on line %d", v.line),
			fmt.Sprintf("write [[%s]] in both places where it is a list", written))
		return nil
	}
	v.is = append(list, &tomlValue{line, t})
	return t
}

// value converts a node; line stands in where the node has no place of its own.
func (b *treeBuilder) value(n *unstable.Node, line int) *tomlValue {
	switch n.Kind {
	case unstable.Array:
		list := []*tomlValue{}
		for it := n.Children(); it.Next(); {
			list = append(list, b.value(it.Node(), line))
		}
		return &tomlValue{line, list}
	case unstable.InlineTable:
		t := newTable(b.lineOf(n))
		t.stated = true
		for it := n.Children(); it.Next(); {
			parts, written, at := b.key(it.Node())
			if in := b.descend(t, parts[:len(parts)-1], at); in != nil {
				b.put(in, parts[len(parts)-1], written, b.value(it.Node().Value(), at))
			}
		}
		return &tomlValue{t.line, t}
	case unstable.String:
		return &tomlValue{line, string(n.Data)}
	default:
		return &tomlValue{line, b.scalar(n, line)}
	}
}

// scalar leaves numbers and dates to the library; one that it refuses is a
// mistake and comes back as nil.
func (b *treeBuilder) scalar(n *unstable.Node, line int) any {
	var one struct{ V any }
	if err := toml.Unmarshal(append([]byte("V = "), n.Data...), &one); err != nil {
		b.mistake(line, "", fmt.Sprintf("%q is not TOML: %s", n.Data, strings.TrimPrefix(err.Error(), "toml: ")),
			"see https://toml.io for how numbers and dates are written")
		return nil
	}
	return one.V
}

func lineStarts(data []byte) []int {
	starts := []int{0}
	for i, c := range data {
		if c == '\n' {
			starts = append(starts, i+1)
		}
	}
	return starts
}

// line returns the number, from 1, of the line that holds the offset.
func (b *treeBuilder) line(offset int) int {
	return sort.SearchInts(b.lines, offset+1)
}

// lineOf returns the line of a key, a scalar or an inline table.
func (b *treeBuilder) lineOf(n *unstable.Node) int {
	return b.line(b.offset(b.parser.Raw(n.Raw)))
}

// offset returns where part, a piece of the data, begins in it. Slicing keeps
// the end of the capacity, so what is missing of it lies before the piece.
func (b *treeBuilder) offset(part []byte) int { return cap(b.data) - cap(part) }
