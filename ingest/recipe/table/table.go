// Package table reads files of readings by a recipe: delimited text of any
// dialect, JSON a line, workbooks, Parquet; gzipped and zipped too, however
// large. Text is decoded in stretches on several cores, although counters and
// repeated hours depend on the order of rows (see stretch.go), and handed on in
// the caller's goroutine, in order, a bounded part of the file held at a time. What
// it cannot use becomes a rejected record whose Source is FILE:LINE.
package table

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/message"
	"greywatt/ingest/suggest"
)

// MaxBatch is the largest number of readings that are handed on at once, and
// about that of rejected records.
const MaxBatch = 1 << 15

const maxBatchRejected = 2048

// Options of [Read].
type Options struct {
	Recipe         *recipe.Recipe
	Known          recipe.Dwellings // of the study; nil: any
	Dwelling, Node string           // where neither row nor recipe says them
	Now            greywatt.Instant // times more than a day after it are refused
	Progress       func(n int)      // called with the bytes read since the last call, compressed ones of a compressed file
	MaxRows        int              // stop after so many; 0: never
	Workers        int              // decoders that run at once; 0: one a core

	chunk int // bytes of a stretch of text; 0: chunkSize
}

// A Handler takes what has been read, in order. The slices are its own until it
// returns. An error ends the reading.
type Handler func(ctx context.Context, readings []greywatt.Reading, rejected []ingest.RejectedRecord) error

// A Report says what was left out without being wrong.
type Report struct {
	Rows    int64
	Columns []string         // of wide tables, that the recipe has no channel for
	Sensors map[string]int64 // of long tables, likewise, with their rows
}

// Add adds what another file left out.
func (r *Report) Add(o *Report) {
	r.Rows += o.Rows
	for _, c := range o.Columns {
		if !slices.Contains(r.Columns, c) {
			r.Columns = append(r.Columns, c)
		}
	}
	for name, n := range o.Sensors {
		r.leave(name, n)
	}
}

const maxNames = 1000

func (r *Report) leave(name string, n int64) {
	if r.Sensors == nil {
		r.Sensors = map[string]int64{}
	}
	if _, ok := r.Sensors[name]; !ok && len(r.Sensors) >= maxNames {
		name = "(others)"
	}
	r.Sensors[name] += n
}

// SensorNames returns the names of Sensors in order.
func (r *Report) SensorNames() []string { return slices.Sorted(maps.Keys(r.Sensors)) }

// Read reads a file, "-" for standard input, and hands all of it to handle. A file that
// breaks off is an error after what precedes has been handed on.
func Read(ctx context.Context, path string, o Options, handle Handler) (*Report, error) {
	return readOne(ctx, path, o, handle, func(p *pipeline) error { return p.file(path) })
}

// ReadFrom is [Read] of an open file of a size in bytes; name stands for it in
// rejected records.
func ReadFrom(ctx context.Context, name string, f io.ReaderAt, size int64, o Options, handle Handler) (*Report, error) {
	return readOne(ctx, name, o, handle, func(p *pipeline) error { return p.open(name, f, size) })
}

// ReadStream is [Read] of what r gives, gzipped or not; zip and Parquet need a
// file.
func ReadStream(ctx context.Context, name string, r io.Reader, o Options, handle Handler) (*Report, error) {
	return readOne(ctx, name, o, handle, func(p *pipeline) error { return p.stream(name, r) })
}

func readOne(ctx context.Context, name string, o Options, handle Handler, read func(*pipeline) error) (report *Report, err error) {
	ended := func(_ context.Context, _ string, r *Report, failed error) error {
		report, err = r, failed
		return nil
	}
	if failed := readAll(ctx, []string{name}, o, handle, ended, func(p *pipeline, _ string) error { return read(p) }); failed != nil {
		return report, failed
	}
	return report, err
}

// ReadAll reads files one after the other, as [Read] does, but decodes the next ones
// while the first are still handed on; "-" is what stdin gives. After each, end is told
// what was left out and how it ended: an error is that of the file alone, and the next
// one follows unless end returns an error.
func ReadAll(ctx context.Context, names []string, stdin io.Reader, o Options, handle Handler, end func(ctx context.Context, name string, left *Report, err error) error) error {
	return readAll(ctx, names, o, handle, end, func(p *pipeline, name string) error {
		if name == "-" {
			return p.stream(name, stdin)
		}
		return p.file(name)
	})
}

// counting tells how many bytes have been read.
type counting struct {
	r    io.Reader
	tell func(n int)
}

func (c *counting) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if n > 0 && c.tell != nil {
		c.tell(n)
	}
	return n, err
}

// A decoder turns rows or lines into what its taker holds.
type decoder interface {
	// step takes one row or line; io.EOF ends it.
	step() error
}

func source(name string, line int) string { return name + ":" + strconv.Itoa(line) }

// A jsonDecoder reads JSON, an object or array a line.
type jsonDecoder struct {
	name   string
	lines  lines
	taker  *recipe.Taker
	object *message.ObjectDecoder
}

func (j *jsonDecoder) step() error {
	line, number, err := j.lines.next()
	if err != nil {
		return err
	}
	from := len(j.taker.Rejected)
	switch {
	case line == nil:
		j.taker.Reject(recipe.Fault{Reason: ingest.BadPayload, Detail: fmt.Sprintf("the line is longer than %d bytes", MaxLine)}, "", j.lines.tooLong())
	case len(bytes.TrimSpace(line)) > 0:
		j.object.Decode(j.taker, message.Levels{}, line, nil)
	}
	for i := from; i < len(j.taker.Rejected); i++ {
		j.taker.Rejected[i].Source = source(j.name, number)
	}
	return nil
}

// A layout is where the recipe's columns are in a table.
type layout struct {
	recipe         *recipe.Recipe
	sheet          bool  // a workbook, which leaves out empty cells at the end of a row
	width          int   // cells that a row must have at least
	heading        int   // columns of the header; 0: none
	time           []int // columns, from 0
	dwelling, node int   // -1: none
	channels       []int // of wide tables, the column of each channel
	key, value     int   // of long tables
	sensors        map[string][]int
	unused         []string // columns that the recipe has no channel for
}

// A rowDecoder reads the rows of a table by a recipe.
type rowDecoder struct {
	*layout
	name   string
	rows   rows
	taker  *recipe.Taker
	left   *leftOut
	joined []byte
}

// leftOut counts the rows of a stretch that the recipe has no sensor for.
type leftOut struct {
	names []string // in the order in which they came
	rows  map[string]int64
}

func (l *leftOut) add(name []byte) {
	if _, ok := l.rows[string(name)]; !ok {
		if l.rows == nil {
			l.rows = map[string]int64{}
		}
		l.names = append(l.names, string(name))
	}
	l.rows[string(name)]++
}

// readLayout reads a table's header, where it has one, and finds the recipe's columns.
func readLayout(made *recipe.Recipe, table rows) (*layout, error) {
	_, sheet := table.(*sheetRows)
	d := &layout{recipe: made, sheet: sheet}
	f := d.recipe.File
	var names []string
	if f.Header || f.Format == recipe.Parquet {
		r, err := table.next()
		for err == nil && f.Format == recipe.Excel && r.line <= f.SkipLines {
			r, err = table.next()
		}
		if errors.Is(err, io.EOF) {
			return nil, errors.New("the file is empty; a header is wanted")
		}
		if err != nil {
			return nil, err
		}
		if r.fault != "" {
			return nil, fmt.Errorf("line %d: header: %s", r.line, r.fault)
		}
		for _, c := range r.cells {
			names = append(names, string(bytes.TrimSpace(c)))
		}
		d.heading = len(names)
		if f.UnitsInRow2 {
			if _, err := table.next(); err != nil && !errors.Is(err, io.EOF) {
				return nil, err
			}
		}
	}
	var missing []string
	find := func(r recipe.Ref) int {
		switch {
		case r.IsZero():
			return -1
		case r.Number > 0:
			d.width = max(d.width, r.Number)
			return r.Number - 1
		}
		i := slices.Index(names, r.Name)
		switch {
		case i < 0:
			missing = append(missing, r.Name)
		case slices.Contains(names[i+1:], r.Name):
			missing = append(missing, r.Name+" (it stands twice: write its number)")
		}
		d.width = max(d.width, i+1)
		return i
	}
	for _, r := range d.recipe.Time.From {
		d.time = append(d.time, find(r))
	}
	d.dwelling, d.node = find(d.recipe.Place.DwellingFrom), find(d.recipe.Place.NodeFrom)
	used := append(slices.Clone(d.time), d.dwelling, d.node)
	if f.Long() {
		d.key, d.value = find(f.NameFrom), find(f.ValueFrom)
		used = append(used, d.key, d.value)
		d.sensors = map[string][]int{}
		for i := range d.recipe.Channels {
			name := d.recipe.Channels[i].From.String()
			d.sensors[name] = append(d.sensors[name], i)
		}
	} else {
		for i := range d.recipe.Channels {
			d.channels = append(d.channels, find(d.recipe.Channels[i].From))
		}
		used = append(used, d.channels...)
	}
	if len(missing) > 0 {
		hint := "the table has " + strings.Join(names, ", ")
		if near, ok := suggest.Nearest(missing[0], names); ok {
			hint = "is it " + near + "? " + hint
		}
		return nil, fmt.Errorf("no column %s; %s", strings.Join(missing, ", no column "), hint)
	}
	for i, name := range names {
		if !slices.Contains(used, i) && name != "" {
			d.unused = append(d.unused, name)
		}
	}
	return d, nil
}

// step takes a row: each of its values becomes a reading, or is refused by
// itself. A row of which the place or time cannot be used is refused whole.
func (d *rowDecoder) step() error {
	r, err := d.rows.next()
	if err != nil {
		return err
	}
	if r.fault == "" && len(r.cells) < d.width {
		r.fault = fmt.Sprintf("%d cells, and the recipe uses the column %d", len(r.cells), d.width)
	}
	if r.fault == "" && d.heading > 0 && len(r.cells) > d.heading && !d.blankTail(r.cells) {
		r.fault = fmt.Sprintf("%d cells, and the header has %d columns", len(r.cells), d.heading)
	}
	if r.fault != "" && d.sheetEnd(&r) {
		r.fault = ""
	}
	if r.fault != "" {
		d.reject(&r, &recipe.Fault{Reason: ingest.BadColumn, Detail: r.fault})
		return nil
	}
	p, f := d.taker.Place(d.cell(&r, d.dwelling), d.cell(&r, d.node))
	if f != nil {
		d.reject(&r, f)
		return nil
	}
	at, f := d.taker.Time(p, d.timeText(&r))
	if f != nil {
		d.reject(&r, f)
		return nil
	}
	if d.sensors == nil {
		for i, column := range d.channels {
			d.take(&r, p, i, at, d.cell(&r, column))
		}
		return nil
	}
	key := d.cell(&r, d.key)
	channels, ok := d.sensors[string(key)]
	if !ok {
		d.left.add(key)
		return nil
	}
	for _, i := range channels {
		d.take(&r, p, i, at, d.cell(&r, d.value))
	}
	return nil
}

// sheetEnd fills up a row of a workbook.
func (d *rowDecoder) sheetEnd(r *row) bool {
	if !d.sheet || len(r.cells) >= d.width {
		return false
	}
	for len(r.cells) < d.width {
		r.cells = append(r.cells, nil)
	}
	return true
}

// blankTail reports whether the cells beyond the header are empty, as where
// each line ends in a delimiter.
func (d *rowDecoder) blankTail(cells [][]byte) bool {
	for _, c := range cells[d.heading:] {
		if len(bytes.TrimSpace(c)) > 0 {
			return false
		}
	}
	return true
}

func (d *rowDecoder) take(r *row, p *recipe.Series, i int, at greywatt.Instant, cell []byte) {
	c := &d.recipe.Channels[i]
	if len(cell) == 0 || len(c.Missing) > 0 && c.IsMissing(string(cell)) {
		return
	}
	v, ok := recipe.ParseNumber(cell, d.recipe.File.Decimal, d.recipe.File.Thousands)
	if !ok {
		detail := fmt.Sprintf("%s: %q is not a number", c.From, cell)
		switch {
		case bytes.IndexByte(cell, ',') >= 0 && d.recipe.File.Decimal == '.':
			detail += `; is it decimal = ","?`
		case bytes.IndexByte(cell, '.') >= 0 && d.recipe.File.Decimal == ',':
			detail += `; is it decimal = "."?`
		}
		d.reject(r, &recipe.Fault{Dwelling: p.Dwelling, Reason: ingest.NoNumber, Detail: detail})
		return
	}
	if f := d.taker.Value(p, i, at, v); f != nil {
		d.reject(r, f)
	}
}

func (d *rowDecoder) reject(r *row, f *recipe.Fault) {
	d.taker.Reject(*f, source(d.name, r.line), r.raw)
}

// cell returns a cell, nil where there is no such column.
func (d *rowDecoder) cell(r *row, i int) []byte {
	if i < 0 {
		return nil
	}
	c := r.cells[i]
	if n := len(c); n > 0 && (c[0] <= ' ' || c[n-1] <= ' ' || c[0] >= 0x80) {
		c = bytes.TrimSpace(c)
	}
	return c
}

func (d *rowDecoder) timeText(r *row) []byte {
	first := d.cell(r, d.time[0])
	if len(d.time) == 1 {
		return first
	}
	d.joined = append(append(append(d.joined[:0], first...), ' '), d.cell(r, d.time[1])...)
	return d.joined
}
