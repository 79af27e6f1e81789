package files

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/internal/inorder"
	"greywatt/ingest/payload"
)

// A lineDecoder decodes the lines of a file. It is used by one goroutine.
type lineDecoder interface {
	// decode appends what a line says. Its rejected records need no Source.
	decode(readings []greywatt.Reading, rejected []ingest.RejectedRecord, line []byte) ([]greywatt.Reading, []ingest.RejectedRecord)
}

// A source is a file whose lines are read.
type source struct {
	name       string
	newDecoder func() lineDecoder
}

// A job is a chunk of a file and what became of it, or the end of a file.
type job struct {
	*room
	short    room // its own; another is for lines longer than longLine, which take turns
	source   *source
	chunk    chunk
	rejected []ingest.RejectedRecord
	end      *ending
}

// A room holds a chunk's text and readings, and serves again.
type room struct {
	buf      []byte
	readings []greywatt.Reading
}

const longLine = 4 * chunkSize

// An ending is how a file ended.
type ending struct {
	name string
	err  error
}

// A batch is what is handed on at once: what became of several chunks of a file, for
// whoever stores it pays for each commit, and a chunk of packs is a tenth of a batch;
// or, at its end, how the file ended.
type batch struct {
	inorder.Records
	end *ending
}

// A pipeline reads the chunks of files in one goroutine, decodes them in several, and
// hands them on in order in the caller's. The next file is begun while the one before
// is still being decoded and stored.
type pipeline struct {
	options  Options
	files    []string
	open     func(name string) (io.ReadCloser, error)
	handle   Handler
	end      func(ctx context.Context, name string, err error) error
	freeLong chan *room // the one for long lines
}

func (p *pipeline) run(ctx context.Context, workers int) error {
	p.freeLong = make(chan *room, 1)
	p.freeLong <- &room{}
	w := inorder.Work[*job, *batch]{
		Workers: workers,
		Read:    func(next func() (*job, error), put func(*job)) error { return p.read(ctx, next, put) },
		Worker:  newWorker,
		Gather:  p.gather,
		Handle:  p.handOn,
	}
	for range workers + 2 {
		j := &job{}
		j.room = &j.short
		w.Stretches = append(w.Stretches, j)
	}
	for range 2 {
		w.Batches = append(w.Batches, &batch{})
	}
	return inorder.Run(ctx, w)
}

// read reads the files, one after the other.
func (p *pipeline) read(ctx context.Context, next func() (*job, error), put func(*job)) error {
	for _, name := range p.files {
		failed := p.readFile(ctx, name, next, put)
		j, err := next()
		if err != nil {
			return err
		}
		j.end = &ending{name, failed}
		put(j)
	}
	return nil
}

func (p *pipeline) readFile(ctx context.Context, name string, next func() (*job, error), put func(*job)) error {
	f, err := p.open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	s, lines, rejected, err := p.options.begin(name, f)
	if err != nil {
		return err
	}
	for {
		j, err := next()
		if err != nil {
			return err
		}
		j.source = s
		j.rejected, rejected = append(j.rejected, rejected...), nil
		if err := p.fill(ctx, j, lines); err != nil {
			put(j) // with what the header gave, or with nothing
			if errors.Is(err, io.EOF) {
				return nil
			}
			return fmt.Errorf("%s: breaks off after line %d; the lines up to there were taken: %w", name, lines.line, err)
		}
		put(j)
	}
}

// fill fills a job with the next chunk.
func (p *pipeline) fill(ctx context.Context, j *job, lines *lineReader) (err error) {
	j.chunk, err = lines.next(j.buf, longLine)
	if !errors.Is(err, errLongLine) {
		return err
	}
	select {
	case j.room = <-p.freeLong:
	case <-ctx.Done():
		return ctx.Err()
	}
	j.chunk, err = lines.next(j.buf, MaxLine)
	return err
}

// newWorker returns what decodes jobs.
func newWorker() func(*job) {
	var s *source
	var d lineDecoder
	return func(j *job) {
		if len(j.chunk.text) == 0 {
			return
		}
		if j.source != s {
			s = j.source
			d = s.newDecoder()
		}
		j.decode(d)
	}
}

// decode decodes the lines of a job and names their source.
func (j *job) decode(d lineDecoder) {
	number := j.chunk.line
	if j.chunk.tooLong {
		j.rejected = append(j.rejected, ingest.RejectedRecord{
			Source: lineOf(j.source.name, number),
			Reason: ingest.BadPayload,
			Detail: fmt.Sprintf("the line is longer than %d bytes; write smaller packs, one a line", MaxLine),
			Record: payload.Excerpt(j.chunk.text),
		})
		return
	}
	for line := range bytes.Lines(j.chunk.text) {
		if number == 1 {
			line = trimBOM(line)
		}
		if line = bytes.TrimSpace(line); len(line) > 0 {
			from := len(j.rejected)
			j.readings, j.rejected = d.decode(j.readings, j.rejected, line)
			for i := range j.rejected[from:] {
				j.rejected[from+i].Source = lineOf(j.source.name, number)
			}
		}
		number++
	}
}

func lineOf(name string, line int) string { return name + ":" + strconv.Itoa(line) }

// gather adds what became of a job, and hands on where there is enough.
func (p *pipeline) gather(b *batch, j *job, full func(*batch) (*batch, error)) (_ *batch, err error) {
	b, err = inorder.Add(b, j.readings, j.rejected, inorder.Most{Readings: MaxBatch, Rejected: chunkMax}, full)
	if err != nil {
		return b, err
	}
	if b.end = j.end; b.end != nil {
		if b, err = full(b); err != nil {
			return b, err
		}
	}
	j.recycle()
	if j.room != &j.short {
		p.freeLong <- j.room
		j.room = &j.short
	}
	return b, nil
}

// handOn gives a batch to those who take it.
func (p *pipeline) handOn(ctx context.Context, b *batch) error {
	if !b.Empty() {
		if err := p.handle(ctx, b.Readings, b.Rejected); err != nil {
			return err
		}
	}
	if e := b.end; e != nil {
		if err := p.end(ctx, e.name, e.err); err != nil {
			return err
		}
	}
	b.Clear()
	b.end = nil
	return nil
}

// recycle empties the job for its next round, and lets go of what is larger
// than usual.
func (j *job) recycle() {
	if !j.chunk.tooLong && j.chunk.text != nil {
		j.buf = j.chunk.text[:0]
	}
	j.chunk, j.source, j.end = chunk{}, nil, nil
	j.readings = j.readings[:0]
	if cap(j.readings) > 2*MaxBatch && j.room == &j.short {
		j.readings = nil
	}
	clear(j.rejected) // they hold texts
	j.rejected = j.rejected[:0]
	if cap(j.rejected) > chunkMax {
		j.rejected = nil
	}
}

// A packDecoder reads a SenML pack a line.
type packDecoder struct {
	d      *payload.Decoder
	origin payload.Origin
	now    greywatt.Instant
}

func newPackDecoder(o Options) *packDecoder {
	return &packDecoder{
		d:      payload.NewDecoder(o.Resolver),
		origin: payload.Origin{Dwelling: o.Dwelling, Node: o.Node, Stored: true},
		now:    o.Now,
	}
}

func (p *packDecoder) decode(readings []greywatt.Reading, rejected []ingest.RejectedRecord, line []byte) ([]greywatt.Reading, []ingest.RejectedRecord) {
	if len(line) > chunkSize {
		// Room for all its records at once, since growing to them would take it twice.
		readings = slices.Grow(readings, min(bytes.Count(line, []byte{'{'}), payload.MaxRecords))
	}
	return p.d.Decode(readings, rejected, p.origin, line, p.now)
}
