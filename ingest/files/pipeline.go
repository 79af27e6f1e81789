package files

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"

	"golang.org/x/sync/semaphore"

	"greywatt"
	"greywatt/ingest/payload"
)

// A lineDecoder decodes the lines of a file. It is used by one goroutine.
type lineDecoder interface {
	// decode appends what a line says. Its refusals need no Source.
	decode(readings []greywatt.Reading, refused []greywatt.Refusal, line []byte) ([]greywatt.Reading, []greywatt.Refusal)
}

// A pipeline reads chunks in one goroutine, decodes them in several, and hands
// them on in order in the caller's.
type pipeline struct {
	name       string
	lines      *lineReader
	workers    int
	newDecoder func() lineDecoder
}

// A job is a chunk and what became of it. Jobs go round: there are only so many.
type job struct {
	chunk    chunk
	weight   int64 // bytes of the chunk, held against the budget
	buf      []byte
	readings []greywatt.Reading
	refused  []greywatt.Refusal
	done     chan struct{}
}

// budget bounds the bytes of the chunks that are decoded or wait to be: long
// lines go one after the other.
const budget = MaxLine + 2*chunkSize

// keep bounds the buffers that a job takes along to its next round.
const keep = 4 * chunkSize

func (p *pipeline) run(ctx context.Context, handle Handler) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	jobs := p.workers + 2
	var (
		free    = make(chan *job, jobs)
		work    = make(chan *job, jobs)
		ordered = make(chan *job, jobs)
		held    = semaphore.NewWeighted(budget)
		readErr error // set before ordered is closed
	)
	for range jobs {
		free <- &job{done: make(chan struct{}, 1)}
	}

	// The reader is not waited for when the caller gives up: it may hang in a
	// read from a terminal, and ends after it.
	go func() {
		defer close(ordered)
		defer close(work)
		for {
			var j *job
			select {
			case j = <-free:
			case <-ctx.Done():
				readErr = ctx.Err()
				return
			}
			if j.chunk, readErr = p.lines.next(j.buf); readErr != nil {
				return
			}
			j.weight = min(int64(len(j.chunk.text)), budget)
			if readErr = held.Acquire(ctx, j.weight); readErr != nil {
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

	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case j, ok := <-ordered:
			if !ok {
				return p.end(readErr)
			}
			select {
			case <-j.done:
			case <-ctx.Done():
			}
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err := handOn(ctx, j, handle); err != nil {
				return err
			}
			held.Release(j.weight)
			j.recycle()
			free <- j
		}
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
		j.refused = append(j.refused, greywatt.Refusal{
			Source: source(p.name, number),
			Reason: greywatt.BadPayload,
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
			from := len(j.refused)
			j.readings, j.refused = d.decode(j.readings, j.refused, line)
			for i := range j.refused[from:] {
				j.refused[from+i].Source = source(p.name, number)
			}
		}
		number++
	}
}

func source(name string, line int) string { return name + ":" + strconv.Itoa(line) }

// handOn gives what became of a job to the handler, in batches.
func handOn(ctx context.Context, j *job, handle Handler) error {
	readings, refused := j.readings, j.refused
	for len(readings) > 0 || len(refused) > 0 {
		n := min(len(readings), MaxBatch)
		if err := handle(ctx, readings[:n:n], refused); err != nil {
			return err
		}
		readings, refused = readings[n:], nil
	}
	return nil
}

// recycle empties the job for its next round, and lets go of what is large.
func (j *job) recycle() {
	j.buf = j.chunk.text[:0]
	if cap(j.buf) > keep {
		j.buf = nil
	}
	j.chunk = chunk{}
	j.readings = j.readings[:0]
	if cap(j.readings) > MaxBatch {
		j.readings = nil
	}
	clear(j.refused) // they hold texts
	j.refused = j.refused[:0]
	if cap(j.refused) > chunkMax {
		j.refused = nil
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

func (p *packDecoder) decode(readings []greywatt.Reading, refused []greywatt.Refusal, line []byte) ([]greywatt.Reading, []greywatt.Refusal) {
	return p.d.Decode(readings, refused, p.origin, line, p.now)
}
