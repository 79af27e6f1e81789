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
	"greywatt/ingest/payload"
)

// A lineDecoder decodes the lines of a file. It is used by one goroutine.
type lineDecoder interface {
	// decode appends what a line says. Its rejected records need no Source.
	decode(readings []greywatt.Reading, rejected []ingest.RejectedRecord, line []byte) ([]greywatt.Reading, []ingest.RejectedRecord)
}

// A pipeline reads chunks in one goroutine, decodes them in several, and hands
// them on in order in the caller's.
type pipeline struct {
	name       string
	lines      *lineReader
	workers    int
	newDecoder func() lineDecoder
}

// A job is a chunk and what became of it. Jobs go round, so that there are only
// so many, and their buffers serve again. One of them is for lines longer than
// longLine, which take their turn.
type job struct {
	long     bool
	chunk    chunk
	buf      []byte
	readings []greywatt.Reading
	rejected []ingest.RejectedRecord
	done     chan struct{}
}

const longLine = 4 * chunkSize

func (p *pipeline) run(ctx context.Context, handle Handler) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	jobs := p.workers + 2
	var (
		free     = make(chan *job, jobs)
		freeLong = make(chan *job, 1)
		work     = make(chan *job, jobs+1)
		ordered  = make(chan *job, jobs+1)
		readErr  error // set before ordered is closed
	)
	for range jobs {
		free <- &job{done: make(chan struct{}, 1)}
	}
	freeLong <- &job{long: true, done: make(chan struct{}, 1)}

	// The reader is not waited for when the caller gives up: it may hang in a
	// read from a terminal, and ends after it.
	go func() {
		defer close(ordered)
		defer close(work)
		for {
			var j *job
			if j, readErr = p.read(ctx, free, freeLong); readErr != nil {
				return
			}
			work <- j
			ordered <- j
		}
	}()
	for range p.workers {
		go func() {
			d := p.newDecoder()
			for j := range work {
				p.decode(d, j)
				j.done <- struct{}{}
			}
		}()
	}

	var g gathered
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case j, ok := <-ordered:
			if !ok {
				if err := g.handOn(ctx, handle); err != nil {
					return err
				}
				return p.end(readErr)
			}
			select {
			case <-j.done:
			case <-ctx.Done():
			}
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err := g.take(ctx, j, handle); err != nil {
				return err
			}
			j.recycle()
			if j.long {
				freeLong <- j
			} else {
				free <- j
			}
		}
	}
}

// read takes a free job and fills it with the next chunk.
func (p *pipeline) read(ctx context.Context, free, freeLong chan *job) (*job, error) {
	j, err := receive(ctx, free)
	if err != nil {
		return nil, err
	}
	j.chunk, err = p.lines.next(j.buf, longLine)
	if errors.Is(err, errLongLine) {
		free <- j
		if j, err = receive(ctx, freeLong); err != nil {
			return nil, err
		}
		j.chunk, err = p.lines.next(j.buf, MaxLine)
	}
	return j, err
}

func receive(ctx context.Context, from chan *job) (*job, error) {
	select {
	case j := <-from:
		return j, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// end turns the reader's last error into that of the file.
func (p *pipeline) end(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return fmt.Errorf("%s: breaks off after line %d; the lines up to there were taken: %w", p.name, p.lines.line, err)
}

// decode decodes the lines of a job and names their source.
func (p *pipeline) decode(d lineDecoder, j *job) {
	number := j.chunk.line
	if j.chunk.tooLong {
		j.rejected = append(j.rejected, ingest.RejectedRecord{
			Source: source(p.name, number),
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
				j.rejected[from+i].Source = source(p.name, number)
			}
		}
		number++
	}
}

func source(name string, line int) string { return name + ":" + strconv.Itoa(line) }

// gathered is what became of several chunks: whoever stores it pays for each
// commit, and a chunk of packs is a fifth of a batch.
type gathered struct {
	readings []greywatt.Reading
	rejected []ingest.RejectedRecord
}

// take adds what became of a job, and hands on where there is enough.
func (g *gathered) take(ctx context.Context, j *job, handle Handler) error {
	large := len(j.readings) > MaxBatch/2 || len(j.rejected) > chunkMax // enough by itself
	if large || len(g.readings)+len(j.readings) > MaxBatch || len(g.rejected)+len(j.rejected) > chunkMax {
		if err := g.handOn(ctx, handle); err != nil {
			return err
		}
	}
	if large {
		return handOn(ctx, j, handle)
	}
	g.readings, g.rejected = append(g.readings, j.readings...), append(g.rejected, j.rejected...)
	return nil
}

func (g *gathered) handOn(ctx context.Context, handle Handler) error {
	if len(g.readings) == 0 && len(g.rejected) == 0 {
		return nil
	}
	err := handle(ctx, g.readings, g.rejected)
	clear(g.rejected) // they hold texts
	g.readings, g.rejected = g.readings[:0], g.rejected[:0]
	return err
}

// handOn gives what became of a job to the handler, in batches.
func handOn(ctx context.Context, j *job, handle Handler) error {
	readings, rejected := j.readings, j.rejected
	for len(readings) > 0 || len(rejected) > 0 {
		n := min(len(readings), MaxBatch)
		if err := handle(ctx, readings[:n:n], rejected); err != nil {
			return err
		}
		readings, rejected = readings[n:], nil
	}
	return nil
}

// recycle empties the job for its next round, and lets go of what is larger
// than usual.
func (j *job) recycle() {
	if !j.chunk.tooLong { // else the text is a copy
		j.buf = j.chunk.text[:0]
	}
	j.chunk = chunk{}
	j.readings = j.readings[:0]
	if cap(j.readings) > 2*MaxBatch && !j.long {
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
