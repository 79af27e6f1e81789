package table

import (
	"archive/zip"
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"

	"github.com/klauspost/compress/gzip"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/internal/inorder"
	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/message"
)

// What a row says may depend on those before it: by a counter, or where a local time
// occurs twice, an hour in a year. A stretch is therefore decoded by a worker as if
// nothing stood before it, and once more, with what is remembered of the stretches
// before, where that made a difference. Of a recipe with counters it does in every
// stretch but the first, which a worker then leaves alone.

const (
	chunkSize = 128 << 10 // bytes of a stretch of text; about 8000 readings
	chunkMax  = 2048      // rows of a stretch, so that its rejected records are bounded
)

// A stretch is some rows of a part and what became of them, or the end of a file.
type stretch struct {
	part  *part
	text  []byte // nil: what it holds was decoded when it was read
	buf   []byte
	line  int  // lines before the text
	first bool // of its part

	taker    *recipe.Taker // that decoded the text; nil: not decoded yet
	readings []greywatt.Reading
	rejected []ingest.RejectedRecord
	rows     int64
	left     leftOut
	end      *ending
}

// A part is a file, or one of those in a zip file.
type part struct {
	name    string
	unused  []string // columns, told with its first stretch
	decoder func(t *recipe.Taker, text *textRows, left *leftOut) decoder

	past *recipe.Taker // what is remembered of its stretches so far
	rows int64         // in them
}

// brokenOff says that a part could not be read to its end.
type brokenOff struct {
	part *part
	err  error
}

func (b *brokenOff) Error() string { return b.err.Error() }

// An ending is how a file ended.
type ending struct {
	name string
	left *Report
	err  error
}

// A batch is what is handed on at once, of one file.
type batch struct {
	inorder.Records
	end *ending
}

// A pipeline reads files in one goroutine and decodes them in several.
type pipeline struct {
	Options
	handle Handler
	ended  func(ctx context.Context, name string, left *Report, err error) error

	next func() (*stretch, error) // for the goroutine that reads
	put  func(*stretch)

	left *Report // of the file at hand, for the goroutine that gathers
}

func readAll(ctx context.Context, names []string, o Options, handle Handler, ended func(context.Context, string, *Report, error) error, read func(p *pipeline, name string) error) error {
	if o.Recipe.File == nil {
		return errors.New("the recipe has no [file]; it is for MQTT")
	}
	if o.Node == "" {
		o.Node = "file"
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.chunk == 0 {
		o.chunk = chunkSize
	}
	p := &pipeline{Options: o, handle: handle, ended: ended, left: &Report{}}
	w := inorder.Work[*stretch, *batch]{
		Workers: o.Workers,
		Read: func(next func() (*stretch, error), put func(*stretch)) error {
			p.next, p.put = next, put
			for _, name := range names {
				failed := read(p, name)
				s, err := next()
				if err != nil {
					return err
				}
				s.end = &ending{name: name, err: failed}
				put(s)
			}
			return nil
		},
		Worker: func() func(*stretch) { return p.work },
		Gather: p.gather,
		Handle: p.handOn,
	}
	for range o.Workers + 2 {
		w.Stretches = append(w.Stretches, &stretch{})
	}
	for range 2 {
		w.Batches = append(w.Batches, &batch{})
	}
	return inorder.Run(ctx, w)
}

// file reads a file.
func (p *pipeline) file(path string) error {
	if path == "-" {
		return p.stream(path, os.Stdin)
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	return p.open(path, f, info.Size())
}

func (p *pipeline) open(name string, f io.ReaderAt, size int64) error {
	var magic [4]byte
	n, _ := f.ReadAt(magic[:], 0)
	switch format := p.Recipe.File.Format; {
	case format == recipe.Parquet:
		rows, err := newParquetRows(f, size)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		defer rows.Close()
		return p.table(name, rows)
	case string(magic[:n]) == "PK\x03\x04" && format != recipe.Excel:
		z, err := zip.NewReader(f, size)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		for _, m := range z.File {
			if strings.HasSuffix(m.Name, "/") {
				continue
			}
			if err := p.member(name+"!"+m.Name, m); err != nil {
				return err
			}
		}
		return nil
	}
	return p.plain(name, io.NewSectionReader(f, 0, size))
}

func (p *pipeline) member(name string, m *zip.File) error {
	r, err := m.Open()
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	defer r.Close()
	return p.plain(name, r)
}

// stream reads a file of which nothing but its bytes in order can be had.
func (p *pipeline) stream(name string, r io.Reader) error {
	if p.Recipe.File.Format == recipe.Parquet {
		return fmt.Errorf("%s: Parquet is read from a file; name it", name)
	}
	return p.plain(name, r)
}

// plain reads what is in no zip file, gzipped or not.
func (p *pipeline) plain(name string, r io.Reader) error {
	b := bufio.NewReaderSize(&counting{r, p.Progress}, 256<<10)
	var plain io.Reader = b
	if magic, _ := b.Peek(2); string(magic) == "\x1f\x8b" {
		z, err := gzip.NewReader(b)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		plain = z
	}
	switch f := p.Recipe.File; f.Format {
	case recipe.Excel:
		s, err := newSheetRows(plain, f.Sheet)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		defer s.Close()
		return p.table(name, s)
	case recipe.JSON:
		object, err := message.NewObject(p.Recipe, f.Samples)
		if err != nil {
			return err
		}
		return p.text(newTextRows(plain, f), &part{name: name, decoder: func(t *recipe.Taker, text *textRows, _ *leftOut) decoder {
			return &jsonDecoder{name: name, lines: text.lines, taker: t, object: object}
		}})
	}
	t := newTextRows(plain, p.Recipe.File)
	if err := t.skip(p.Recipe.File.SkipLines); err != nil {
		return fmt.Errorf("%s: ends within the %d lines to be skipped", name, p.Recipe.File.SkipLines)
	}
	made, err := readLayout(p.Recipe, t)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return p.text(t, &part{name: name, unused: made.unused, decoder: func(taker *recipe.Taker, text *textRows, left *leftOut) decoder {
		return &rowDecoder{layout: made, name: name, rows: text, taker: taker, left: left}
	}})
}

// table reads rows that a library finds, and decodes them as they come.
func (p *pipeline) table(name string, r rows) error {
	made, err := readLayout(p.Recipe, r)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	t, left := p.taker(), &leftOut{}
	return p.inTurn(&part{name: name, unused: made.unused}, &rowDecoder{layout: made, name: name, rows: r, taker: t, left: left}, t, left)
}

func (p *pipeline) taker() *recipe.Taker {
	t := recipe.NewTaker(p.Recipe, p.Known, p.Dwelling, p.Node)
	t.Now = p.Now
	return t
}

// inTurn decodes row by row, in the goroutine that reads. The decoder gives what it
// has to t and left.
func (p *pipeline) inTurn(of *part, d decoder, t *recipe.Taker, left *leftOut) error {
	for rows := 0; ; {
		s, err := p.next()
		if err != nil {
			return err
		}
		s.part = of
		t.Readings, t.Rejected = s.readings, s.rejected
		for err == nil && s.rows < 4*chunkMax && len(t.Readings) < MaxBatch/4 && len(t.Rejected) < chunkMax {
			if p.MaxRows > 0 && rows >= p.MaxRows {
				err = io.EOF
			} else if err = d.step(); err == nil {
				s.rows++
				rows++
			}
		}
		s.readings, s.rejected = t.Readings, t.Rejected
		s.left, *left = *left, leftOut{}
		p.put(s)
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return &brokenOff{of, err}
		}
	}
}

// text reads lines in stretches, each of which a worker decodes.
func (p *pipeline) text(t *textRows, of *part) error {
	read, plain := t.lines.(*lineReader)
	if p.MaxRows > 0 || len(t.ahead) > 0 || !plain {
		taker, left := p.taker(), &leftOut{}
		return p.inTurn(of, of.decoder(taker, t, left), taker, left)
	}
	cut := splitter{r: read.r, lines: read.n, size: p.chunk, f: p.Recipe.File}
	for first := true; ; first = false {
		s, err := p.next()
		if err != nil {
			return err
		}
		s.part, s.first, s.line = of, first, cut.lines
		s.text, err = cut.next(s.buf)
		p.put(s)
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return &brokenOff{of, err}
		}
	}
}

// work decodes a stretch as if nothing stood before it.
func (p *pipeline) work(s *stretch) {
	if s.text != nil && (s.first || !p.Recipe.Counts()) {
		s.decode(p.taker(), p.Recipe.File)
	}
}

func (s *stretch) decode(t *recipe.Taker, f *recipe.File) {
	s.taker, s.rows, s.left = t, 0, leftOut{}
	t.Readings, t.Rejected = s.readings[:0], s.rejected[:0]
	d := s.part.decoder(t, &textRows{lines: &lineSlice{text: s.text, n: s.line}, f: f}, &s.left)
	for d.step() == nil {
		s.rows++
	}
	s.readings, s.rejected = t.Readings, t.Rejected
	t.Readings, t.Rejected = nil, nil
}

// gather adds what became of a stretch, and hands on where there is enough.
func (p *pipeline) gather(b *batch, s *stretch, full func(*batch) (*batch, error)) (_ *batch, err error) {
	if of := s.part; of != nil {
		if s.text != nil {
			p.order(s)
		}
		of.rows += s.rows
		p.left.Add(&Report{Rows: s.rows, Columns: of.unused})
		of.unused = nil
		for _, name := range s.left.names {
			p.left.leave(name, s.left.rows[name])
		}
	}
	b, err = inorder.Add(b, s.readings, s.rejected, inorder.Most{Readings: MaxBatch, Rejected: maxBatchRejected}, full)
	if err != nil {
		return b, err
	}
	if b.end = s.end; b.end != nil {
		var broken *brokenOff
		if errors.As(b.end.err, &broken) {
			b.end.err = fmt.Errorf("%s: breaks off after row %d; what precedes was taken: %w", broken.part.name, broken.part.rows, broken.err)
		}
		b.end.left, p.left = p.left, &Report{}
		if b, err = full(b); err != nil {
			return b, err
		}
	}
	s.recycle()
	return b, nil
}

// order makes a stretch what it is after those before it.
func (p *pipeline) order(s *stretch) {
	of := s.part
	switch {
	case s.first:
		of.past = s.taker
	case s.taker == nil || s.taker.Leant():
		s.decode(of.past, p.Recipe.File)
	default:
		of.past.Follow(s.taker)
	}
}

// handOn gives a batch to those who take it.
func (p *pipeline) handOn(ctx context.Context, b *batch) error {
	if !b.Empty() {
		if err := p.handle(ctx, b.Readings, b.Rejected); err != nil {
			return err
		}
	}
	if e := b.end; e != nil {
		if err := p.ended(ctx, e.name, e.left, e.err); err != nil {
			return err
		}
	}
	b.Clear()
	b.end = nil
	return nil
}

// recycle empties a stretch for its next round, and lets go of what is larger than
// usual.
func (s *stretch) recycle() {
	clear(s.rejected) // they hold texts
	buf, readings, rejected := s.buf, s.readings[:0], s.rejected[:0]
	if s.text != nil {
		buf = s.text[:0]
	}
	if cap(readings) > 2*MaxBatch {
		readings = nil
	}
	if cap(rejected) > 4*chunkMax {
		rejected = nil
	}
	*s = stretch{buf: buf, readings: readings, rejected: rejected}
}
