package studyfile

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"greywatt"
	"greywatt/ingest/suggest"
)

// tableLines are added to the lines of the table of dwellings, so that a line
// says which of the two files it is of.
const tableLines = 1 << 30

// where says a line for people.
func (f *reader) where(line int) string {
	if line >= tableLines {
		return fmt.Sprintf("line %d of %s", line-tableLines, f.table)
	}
	return fmt.Sprintf("line %d", line)
}

// ofTable names the file and the column of mistakes that are in the table.
func (e Mistakes) ofTable(table string) {
	for i := range e {
		if e[i].Line < tableLines {
			continue
		}
		e[i].File, e[i].Line = table, e[i].Line-tableLines
		id, rest, ok := strings.Cut(strings.TrimPrefix(e[i].Key, "dwelling["), "].")
		if ok {
			e[i].Key = id + ", column " + columnOf(rest)
		}
	}
}

// columnOf returns the column that a dwelling's key stands in.
func columnOf(key string) string {
	if label, rest, ok := strings.Cut(strings.TrimPrefix(key, "sensor["), "]"); ok && strings.HasPrefix(key, "sensor[") {
		return strings.ReplaceAll(label, "-", "_") + strings.ReplaceAll(rest, ".", "_")
	}
	plain := plainPath(key)
	for _, list := range []string{"exchanger.rated", "cleaned"} {
		if plain == list || strings.HasPrefix(plain, list+".") {
			return strings.TrimPrefix(list, "exchanger.")
		}
	}
	return strings.ReplaceAll(strings.TrimPrefix(plain, "exchanger."), ".", "_")
}

// A Column is one that the table of dwellings may have.
type Column struct {
	Name string
	Key  string // of the study file, such as dwelling.heater.efficiency

	// What a cell holds: text, number, date, points (such as 7.0:0.62;9.5:0.57, flow
	// and effectiveness) or days (such as 2026-03-02;2026-06-02).
	Type     string
	Required bool
	channel  string // of a sensor; else empty
	name     string // of the key in its table
}

// Columns returns the columns that a table of dwellings may have, in the order of
// the study file's keys. An empty cell states nothing.
func Columns() []Column {
	var out []Column
	rated, cleaned := false, false
	for _, k := range Keys() {
		path, ok := strings.CutPrefix(k.Path, "dwelling.")
		if !ok {
			continue
		}
		c := Column{Name: columnOf(path), Key: k.Path, Type: k.Type, Required: path == "id"}
		c.name = path[strings.LastIndexByte(path, '.')+1:]
		switch {
		case strings.HasPrefix(path, "exchanger.rated."):
			if rated {
				continue
			}
			rated = true
			c = Column{Name: "rated", Key: "dwelling.exchanger.rated", Type: "points"}
		case strings.HasPrefix(path, "cleaned."):
			if cleaned {
				continue
			}
			cleaned = true
			c = Column{Name: "cleaned", Key: "dwelling.cleaned", Type: "days"}
		case path == "sensor.channel":
			continue
		case strings.HasPrefix(path, "sensor."):
			for _, channel := range channelNames() {
				is, _ := greywatt.ParseChannel(channel)
				if ofFlow, one := sensorKeys[c.name]; one && ofFlow != is.IsFlow() {
					continue
				}
				of := c
				of.channel = channel
				of.Name = strings.ReplaceAll(channel, "-", "_") + "_" + c.name
				out = append(out, of)
			}
			continue
		}
		out = append(out, c)
	}
	return out
}

// rows returns the rows of the table that the study file names, as tables of
// dwellings.
func (f *reader) rows(head *section) []*section {
	f.table = head.text("dwellings", "", textRule{
		func(s string) bool { return s == "" || fs.ValidPath(s) },
		"the name of a file in the folder of the study file", `write it such as dwellings = "dwellings.csv", without / at its beginning and without ..`})
	if f.table == "" {
		return nil
	}
	if f.beside == nil {
		head.mistake("dwellings", "a table of dwellings cannot be had here", "describe the dwellings in the file")
		return nil
	}
	data, err := fs.ReadFile(f.beside, f.table)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		head.mistake("dwellings", fmt.Sprintf("there is no %s in the folder of the study file", f.table), "put the table there, or correct its name")
		return nil
	case err != nil:
		head.mistake("dwellings", fmt.Sprintf("%s cannot be read: %v", f.table, err), "see that it is a file that may be read")
		return nil
	}
	return f.readTable(data)
}

func (f *reader) readTable(data []byte) []*section {
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	in := csv.NewReader(bytes.NewReader(data))
	in.FieldsPerRecord = -1
	in.TrimLeadingSpace = true
	first, _, _ := bytes.Cut(data, []byte("\n"))
	if !bytes.ContainsRune(first, ',') && bytes.ContainsRune(first, ';') {
		in.Comma = ';' // as spreadsheets write where a comma is the decimal sign
	}
	var columns []*Column
	var rows []*section
	for {
		cells, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if bad := (*csv.ParseError)(nil); errors.As(err, &bad) {
			f.mistake(tableLines+bad.Line, "", "not CSV: "+bad.Err.Error(), "a cell with a quote or a line end stands in quotes, and each quote in it is doubled; the rest was not read")
			break
		}
		line, _ := in.FieldPos(0)
		line += tableLines
		if columns == nil {
			columns = f.header(cells, line)
			continue
		}
		if r := f.row(cells, columns, line); r != nil {
			rows = append(rows, r)
		}
	}
	if columns == nil {
		f.mistake(tableLines+1, "", "the table is empty", "its first line has the columns' names, such as id,connection,rated")
	}
	return rows
}

// header returns the column of each cell, nil for one that is not known.
func (f *reader) header(cells []string, line int) []*Column {
	known := Columns()
	var names []string
	for i := range known {
		names = append(names, known[i].Name)
	}
	columns := make([]*Column, len(cells))
	for i, name := range cells {
		name = strings.TrimSpace(name)
		k := slices.Index(names, name)
		switch {
		case k < 0:
			remedy := "see greywatt help study-file for the columns that there may be"
			if near, ok := suggest.Nearest(strings.ToLower(name), names); ok {
				remedy = "did you mean " + near + "?"
			}
			f.mistake(line, "column "+strconv.Quote(name), "unknown column", remedy)
		case slices.Contains(columns, &known[k]):
			f.mistake(line, "column "+name, "is there twice", "keep one of them")
		default:
			columns[i] = &known[k]
		}
	}
	if !slices.ContainsFunc(columns, func(c *Column) bool { return c != nil && c.Name == "id" }) {
		f.mistake(line, "column id", "missing", "add it, with each dwelling's id")
	}
	return columns
}

// row returns a row as a dwelling's table, nil where all of it is empty.
func (f *reader) row(cells []string, columns []*Column, line int) *section {
	id := strconv.Itoa(line - tableLines)
	empty := true
	for i, cell := range cells {
		empty = empty && strings.TrimSpace(cell) == ""
		if i < len(columns) && columns[i] != nil && columns[i].Name == "id" && strings.TrimSpace(cell) != "" {
			id = strings.TrimSpace(cell)
		}
	}
	if empty {
		return nil
	}
	path := fmt.Sprintf("dwelling[%s]", id)
	if len(cells) != len(columns) {
		f.mistake(line, path, fmt.Sprintf("has %d cells, and the header has %d", len(cells), len(columns)), "give each row a cell for every column; one with a comma in it stands in quotes")
	}
	t := newTable(line)
	t.stated = true
	for i, cell := range cells[:min(len(cells), len(columns))] {
		if cell = strings.TrimSpace(cell); cell != "" && columns[i] != nil {
			f.cell(t, columns[i], cell, path, line)
		}
	}
	return f.section(t, path)
}

// cell puts a cell into a dwelling's table where its key belongs.
func (f *reader) cell(t *tomlTable, c *Column, cell, path string, line int) {
	v := &tomlValue{line, cell}
	key := path + "." + c.Name // a column by its own name
	switch c.Type {
	case "number":
		v.is = f.cellNumber(cell, key, line)
	case "points":
		v.is = f.points(cell, key, line)
	case "days":
		v.is = days(cell, line)
	case "date":
		if day, err := time.Parse(time.DateOnly, cell); err == nil {
			v.is = toml.LocalDate{Year: day.Year(), Month: int(day.Month()), Day: day.Day()}
		}
	}
	switch {
	case c.channel != "":
		list, _ := t.values["sensor"].listed()
		k := slices.IndexFunc(list, func(v *tomlValue) bool { return v.is.(*tomlTable).textOf("channel") == c.channel })
		if k < 0 {
			k = len(list)
			sensor := newTable(line)
			sensor.values["channel"] = &tomlValue{line, c.channel}
			list = append(list, &tomlValue{line, sensor})
		}
		list[k].is.(*tomlTable).values[c.name] = v
		t.values["sensor"] = &tomlValue{line, list}
	case c.Name == "cleaned":
		t.values["cleaned"] = v
	case strings.HasPrefix(c.Key, "dwelling.exchanger."):
		t.inner("exchanger", line).values[strings.TrimPrefix(c.Key, "dwelling.exchanger.")] = v
	case strings.HasPrefix(c.Key, "dwelling.heater."):
		t.inner("heater", line).values[c.name] = v
	default:
		t.values[c.name] = v
	}
}

func (v *tomlValue) listed() (list []*tomlValue, ok bool) {
	if v == nil {
		return nil, false
	}
	list, ok = v.is.([]*tomlValue)
	return list, ok
}

// inner returns the table under a key, which it makes where there is none.
func (t *tomlTable) inner(name string, line int) *tomlTable {
	if v := t.values[name]; v != nil {
		return v.is.(*tomlTable)
	}
	in := newTable(line)
	t.values[name] = &tomlValue{line, in}
	return in
}

// cellNumber returns a number, nil where the cell holds none, which it tells.
func (f *reader) cellNumber(cell, key string, line int) any {
	plain := strings.Trim(cell, "0123456789+-.eE") == ""
	if x, err := strconv.ParseFloat(cell, 64); plain && err == nil {
		return x
	}
	f.mistake(line, key, fmt.Sprintf("%q is not a number", cell), "write it with a decimal point and without a unit, such as 0.3")
	return nil
}

// points returns a certificate's points, as tables.
func (f *reader) points(cell, key string, line int) any {
	var out []*tomlValue
	for part := range strings.SplitSeq(cell, ";") {
		if part = strings.TrimSpace(part); part == "" {
			continue
		}
		flow, effectiveness, ok := strings.Cut(part, ":")
		if !ok {
			f.mistake(line, key, fmt.Sprintf("%q is no point of a certificate", part), "write flow in l/min, a colon and effectiveness, points divided by semicolons, such as 7.0:0.62;9.5:0.57")
			return nil
		}
		p := newTable(line)
		p.stated = true
		p.values["flow_l_min"] = &tomlValue{line, f.cellNumber(strings.TrimSpace(flow), key, line)}
		p.values["effectiveness"] = &tomlValue{line, f.cellNumber(strings.TrimSpace(effectiveness), key, line)}
		out = append(out, &tomlValue{line, p})
	}
	return out
}

// days returns days of cleaning, as tables.
func days(cell string, line int) any {
	var out []*tomlValue
	for part := range strings.SplitSeq(cell, ";") {
		if part = strings.TrimSpace(part); part != "" {
			day := newTable(line)
			day.values["on"] = &tomlValue{line, part}
			out = append(out, &tomlValue{line, day})
		}
	}
	return out
}

// TableName returns the name of the table of dwellings that a study file names,
// empty where it names none.
func TableName(data []byte) string {
	if !bytes.Contains(data, []byte("dwellings")) {
		return ""
	}
	root, _ := buildTree(bytes.TrimPrefix(data, []byte("\ufeff")))
	head := root.values["study"]
	if head == nil {
		return ""
	}
	t, ok := head.is.(*tomlTable)
	if !ok {
		return ""
	}
	return t.textOf("dwellings")
}
