// Package table reads files of readings by a recipe: delimited text of any
// dialect, JSON a line, workbooks, Parquet; gzipped and zipped too, however
// large. It reads in one goroutine, since counters and repeated hours depend on
// the order of rows, and hands on in the caller's, holding a bounded part of the
// file at a time. What it cannot use becomes a rejected record whose Source is
// FILE:LINE.
package table

import (
	"archive/zip"
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/klauspost/compress/gzip"

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

// Read reads a file and hands all of it to handle. A file that breaks off is an
// error after what precedes has been handed on.
func Read(ctx context.Context, path string, o Options, handle Handler) (*Report, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	return ReadFrom(ctx, path, f, info.Size(), o, handle)
}

// ReadFrom is [Read] of an open file of a size in bytes; name stands for it in
// rejected records.
func ReadFrom(ctx context.Context, name string, f io.ReaderAt, size int64, o Options, handle Handler) (*Report, error) {
	if o.Recipe.File == nil {
		return nil, errors.New("the recipe has no [file]; it is for MQTT")
	}
	if o.Node == "" {
		o.Node = "file"
	}
	total := &Report{}
	var magic [4]byte
	n, _ := f.ReadAt(magic[:], 0)
	if format := o.Recipe.File.Format; format == recipe.Parquet {
		p, err := newParquetRows(f, size)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		defer p.Close()
		return readRows(ctx, name, p, o, handle)
	} else if string(magic[:n]) == "PK\x03\x04" && format != recipe.Excel {
		z, err := zip.NewReader(f, size)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		for _, m := range z.File {
			if strings.HasSuffix(m.Name, "/") {
				continue
			}
			r, err := m.Open()
			if err != nil {
				return total, fmt.Errorf("%s!%s: %w", name, m.Name, err)
			}
			one, err := readStream(ctx, name+"!"+m.Name, r, o, handle)
			r.Close()
			if one != nil {
				total.Add(one)
			}
			if err != nil {
				return total, err
			}
		}
		return total, nil
	}
	return readStream(ctx, name, io.NewSectionReader(f, 0, size), o, handle)
}

// ReadStream is [Read] of what r gives, gzipped or not; zip and Parquet need a
// file.
func ReadStream(ctx context.Context, name string, r io.Reader, o Options, handle Handler) (*Report, error) {
	if o.Recipe.File == nil {
		return nil, errors.New("the recipe has no [file]; it is for MQTT")
	}
	if o.Recipe.File.Format == recipe.Parquet {
		return nil, fmt.Errorf("%s: Parquet is read from a file; name it", name)
	}
	if o.Node == "" {
		o.Node = "file"
	}
	return readStream(ctx, name, r, o, handle)
}

func readStream(ctx context.Context, name string, r io.Reader, o Options, handle Handler) (*Report, error) {
	b := bufio.NewReaderSize(&counting{r, o.Progress}, 256<<10)
	var plain io.Reader = b
	if magic, _ := b.Peek(2); string(magic) == "\x1f\x8b" {
		z, err := gzip.NewReader(b)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		plain = z
	}
	switch o.Recipe.File.Format {
	case recipe.Excel:
		s, err := newSheetRows(plain, o.Recipe.File.Sheet)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		defer s.Close()
		return readRows(ctx, name, s, o, handle)
	case recipe.JSON:
		return readJSON(ctx, name, plain, o, handle)
	}
	t := newTextRows(plain, o.Recipe.File)
	if err := t.skip(o.Recipe.File.SkipLines); err != nil {
		return nil, fmt.Errorf("%s: ends within the %d lines to be skipped", name, o.Recipe.File.SkipLines)
	}
	return readRows(ctx, name, t, o, handle)
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

// A batch is what is handed on at once.
type batch struct {
	readings []greywatt.Reading
	rejected []ingest.RejectedRecord
}

// A decoder turns rows or lines into what its taker holds.
type decoder interface {
	// step takes one row or line; io.EOF ends it.
	step() error
}

// pump runs a decoder in a goroutine of its own and hands on what it gives, so
// that reading and storing go on at once.
func pump(ctx context.Context, name string, d decoder, t *recipe.Taker, maxRows int, report *Report, handle Handler) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	full, free := make(chan *batch), make(chan *batch, 2)
	free <- &batch{}
	free <- &batch{}
	var failed error
	go func() {
		defer close(full)
		for failed == nil {
			var b *batch
			select {
			case b = <-free:
			case <-ctx.Done():
				return
			}
			t.Readings, t.Rejected = b.readings[:0], b.rejected[:0]
			for len(t.Readings) < MaxBatch-greywatt.NumChannels && len(t.Rejected) < maxBatchRejected {
				if maxRows > 0 && report.Rows >= int64(maxRows) {
					failed = io.EOF
					break
				}
				if failed = d.step(); failed != nil {
					break
				}
				report.Rows++
			}
			b.readings, b.rejected = t.Readings, t.Rejected
			select {
			case full <- b:
			case <-ctx.Done():
				return
			}
		}
	}()
	for b := range full {
		for from := 0; from == 0 || from < len(b.readings); from += MaxBatch {
			to := min(from+MaxBatch, len(b.readings))
			rejected := b.rejected
			if from > 0 {
				rejected = nil
			}
			if err := handle(ctx, b.readings[from:to:to], rejected); err != nil {
				return err
			}
		}
		clear(b.rejected)
		free <- b
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if errors.Is(failed, io.EOF) {
		return nil
	}
	return fmt.Errorf("%s: breaks off after row %d; what precedes was taken: %w", name, report.Rows, failed)
}

func source(name string, line int) string { return name + ":" + strconv.Itoa(line) }

// readJSON reads JSON, an object or array a line.
func readJSON(ctx context.Context, name string, r io.Reader, o Options, handle Handler) (*Report, error) {
	report := &Report{}
	t := recipe.NewTaker(o.Recipe, o.Known, o.Dwelling, o.Node)
	t.Now = o.Now
	d, err := message.NewObject(o.Recipe, o.Recipe.File.Samples)
	if err != nil {
		return nil, err
	}
	j := &jsonDecoder{name: name, lines: newTextRows(r, o.Recipe.File), taker: t, object: d}
	return report, pump(ctx, name, j, t, o.MaxRows, report, handle)
}

type jsonDecoder struct {
	name   string
	lines  *textRows
	taker  *recipe.Taker
	object *message.ObjectDecoder
}

func (j *jsonDecoder) step() error {
	line, number, err := j.lines.lines.next()
	if err != nil {
		return err
	}
	from := len(j.taker.Rejected)
	switch {
	case line == nil:
		j.taker.Reject(recipe.Fault{Reason: ingest.BadPayload, Detail: fmt.Sprintf("the line is longer than %d bytes", MaxLine)}, "", j.lines.lines.long)
	case len(bytes.TrimSpace(line)) > 0:
		j.object.Decode(j.taker, message.Levels{}, line, nil)
	}
	for i := from; i < len(j.taker.Rejected); i++ {
		j.taker.Rejected[i].Source = source(j.name, number)
	}
	return nil
}

// readRows reads a table.
func readRows(ctx context.Context, name string, r rows, o Options, handle Handler) (*Report, error) {
	report := &Report{}
	t := recipe.NewTaker(o.Recipe, o.Known, o.Dwelling, o.Node)
	t.Now = o.Now
	d := &rowDecoder{name: name, rows: r, recipe: o.Recipe, taker: t, report: report}
	if err := d.header(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return report, pump(ctx, name, d, t, o.MaxRows, report, handle)
}

// A rowDecoder reads the rows of a table by a recipe.
type rowDecoder struct {
	name   string
	rows   rows
	recipe *recipe.Recipe
	taker  *recipe.Taker
	report *Report

	width          int   // cells that a row must have at least
	heading        int   // columns of the header; 0: none
	time           []int // columns, from 0
	dwelling, node int   // -1: none
	channels       []int // of wide tables, the column of each channel
	key, value     int   // of long tables
	sensors        map[string][]int

	joined []byte
}

// header finds the recipe's columns.
func (d *rowDecoder) header() error {
	f := d.recipe.File
	var names []string
	if f.Header || f.Format == recipe.Parquet {
		r, err := d.rows.next()
		for err == nil && f.Format == recipe.Excel && r.line <= f.SkipLines {
			r, err = d.rows.next()
		}
		if errors.Is(err, io.EOF) {
			return errors.New("the file is empty; a header is wanted")
		}
		if err != nil {
			return err
		}
		if r.fault != "" {
			return fmt.Errorf("line %d: header: %s", r.line, r.fault)
		}
		for _, c := range r.cells {
			names = append(names, string(bytes.TrimSpace(c)))
		}
		d.heading = len(names)
		if f.UnitsInRow2 {
			if _, err := d.rows.next(); err != nil && !errors.Is(err, io.EOF) {
				return err
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
		return fmt.Errorf("no column %s; %s", strings.Join(missing, ", no column "), hint)
	}
	for i, name := range names {
		if !slices.Contains(used, i) && name != "" {
			d.report.Columns = append(d.report.Columns, name)
		}
	}
	return nil
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
		d.report.leave(string(key), 1)
		return nil
	}
	for _, i := range channels {
		d.take(&r, p, i, at, d.cell(&r, d.value))
	}
	return nil
}

// sheetEnd fills up a row of a workbook, which leaves out empty cells at its end.
func (d *rowDecoder) sheetEnd(r *row) bool {
	if _, ok := d.rows.(*sheetRows); !ok || len(r.cells) >= d.width {
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
