// Package files takes in readings from files: SenML packs, one a line, and
// tables in CSV, plain or gzipped, however large.
//
// It reads in chunks of whole lines, decodes them on several cores, and hands
// them on in the file's order, holding a bounded part of the file at a time. It
// stores nothing itself. What a line says depends on that line, on the header
// and on the options alone, so that reading a file again gives the same
// readings.
//
// A line or cell that cannot be used becomes a rejected record whose Source is
// FILE:LINE, and the rest is taken.
package files

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/klauspost/compress/gzip"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
)

// A Format is how a file's lines are to be read.
type Format string

// The formats.
const (
	ByName Format = ""      // by the file's extension; standard input by its first byte
	SenML  Format = "senml" // a SenML JSON pack a line; .senml and .ndjson
	CSV    Format = "csv"   // a wide table with a header; .csv
)

// ParseFormat returns the format with the given name.
func ParseFormat(name string) (Format, error) {
	switch f := Format(name); f {
	case ByName, SenML, CSV:
		return f, nil
	case "ndjson":
		return SenML, nil
	}
	return "", fmt.Errorf("format %q: want senml or csv", name)
}

// FormatOf returns the format that a file's extension stands for, .gz left out.
func FormatOf(path string) (Format, error) {
	name := strings.ToLower(filepath.Base(path))
	switch filepath.Ext(strings.TrimSuffix(name, ".gz")) {
	case ".senml", ".ndjson":
		return SenML, nil
	case ".csv":
		return CSV, nil
	}
	return "", fmt.Errorf("%s: the extension is none of .senml, .ndjson and .csv; state the format, senml or csv; other files want a recipe (greywatt recipe proposes one)", path)
}

// DefaultNode is the node of what a table says without naming one.
const DefaultNode = "file"

// MaxLine is the longest line that is read, in bytes; a longer one is refused.
const MaxLine = payload.MaxBytes

// MaxBatch is the largest number of readings that are handed on at once.
const MaxBatch = 1 << 16

// Options of [Read].
type Options struct {
	Format   Format
	Resolver *payload.Resolver // which dwellings and names are known; nil: any dwelling
	Dwelling string            // of a table without the column, and of names that are bare channels
	Node     string            // likewise; empty: DefaultNode
	Now      greywatt.Instant  // times more than a day after it are refused
	Workers  int               // decoders that run at once; 0: one a core
	// Progress is called with the number of bytes read since the last call, of a
	// gzipped file its compressed bytes. It must not block; it is called from one
	// goroutine that is not the caller's.
	Progress func(n int)

	chunk int // bytes of a chunk; 0: chunkSize
}

// A Handler takes what has been read, in the file's order: at most [MaxBatch]
// readings, and rejected records. Both slices are its own only until it returns. An
// error ends the reading.
type Handler func(ctx context.Context, readings []greywatt.Reading, rejected []ingest.RejectedRecord) error

// ErrHeader marks a table of which nothing can be read, since its header does
// not say enough.
var ErrHeader = errors.New("header")

// ErrNoDwelling is an [ErrHeader]: neither the table nor the options say which
// dwelling the readings are of.
var ErrNoDwelling = errors.New("no column dwelling; add it, or say which dwelling the file is of with --dwelling ID")

// Read reads a file, "-" for standard input, and hands all of it to handle. A
// file that breaks off, such as half a gzip, is an error after what precedes
// has been handed on.
func Read(ctx context.Context, path string, o Options, handle Handler) error {
	return readOne(ctx, path, Open, o, handle)
}

// ReadFrom is [Read] of what r gives; name stands for it in rejected records and, where
// the format is not stated, its extension says it.
func ReadFrom(ctx context.Context, name string, r io.Reader, o Options, handle Handler) error {
	return readOne(ctx, name, func(string) (io.ReadCloser, error) { return io.NopCloser(r), nil }, o, handle)
}

// Open opens a file for [ReadAll], "-" standard input.
func Open(path string) (io.ReadCloser, error) {
	if path == "-" {
		return io.NopCloser(os.Stdin), nil
	}
	return os.Open(path)
}

func readOne(ctx context.Context, name string, open func(string) (io.ReadCloser, error), o Options, handle Handler) (err error) {
	ended := func(_ context.Context, _ string, failed error) error {
		err = failed
		return nil
	}
	if failed := ReadAll(ctx, []string{name}, open, o, handle, ended); failed != nil {
		return failed
	}
	return err
}

// ReadAll reads files one after the other, as [Read] does, but decodes the next ones
// while the first are still handed on. After each, end is told how it ended: an error
// is that of the file alone, and the next one follows unless end returns an error.
// What is open when ReadAll returns early is closed as soon as nobody reads from it.
func ReadAll(ctx context.Context, names []string, open func(name string) (io.ReadCloser, error), o Options, handle Handler, end func(ctx context.Context, name string, err error) error) error {
	workers := o.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	p := pipeline{options: o, files: names, open: open, handle: handle, end: end}
	return p.run(ctx, workers)
}

// begin reads what stands before the lines of a file, of a table also its header, and
// what is rejected of that.
func (o Options) begin(name string, r io.Reader) (*source, *lineReader, []ingest.RejectedRecord, error) {
	if err := o.settle(name); err != nil {
		return nil, nil, nil, err
	}
	plain, err := inflate(&counter{r, o.Progress})
	if err != nil {
		return nil, nil, nil, fmt.Errorf("%s: %w", name, err)
	}
	if o.Format == ByName { // standard input
		if o.Format, err = sniff(plain); err != nil {
			return nil, nil, nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	lines := &lineReader{r: plain, size: o.chunk}
	if o.Format == SenML {
		return &source{name, func() lineDecoder { return newPackDecoder(o) }}, lines, nil, nil
	}
	t, err := readHeader(name, lines, o)
	if err != nil {
		return nil, nil, nil, err
	}
	return &source{name, func() lineDecoder { return newRowDecoder(t, o) }}, lines, t.rejected, nil
}

// settle fills in the defaults and checks what does not depend on the file.
func (o *Options) settle(name string) error {
	if o.Node == "" {
		o.Node = DefaultNode
	}
	if o.Resolver == nil {
		o.Resolver = payload.NewResolver(nil)
	}
	if o.chunk == 0 {
		o.chunk = chunkSize
	}
	if err := payload.CheckID(o.Node); err != nil {
		return fmt.Errorf("node: %w", err)
	}
	if o.Dwelling != "" {
		if err := payload.CheckID(o.Dwelling); err != nil {
			return fmt.Errorf("dwelling: %w", err)
		}
		if !o.Resolver.Knows(o.Dwelling) {
			return fmt.Errorf("dwelling %q is not in the study", o.Dwelling)
		}
	}
	if _, err := ParseFormat(string(o.Format)); err != nil {
		return err
	}
	if o.Format != ByName || name == "-" {
		return nil
	}
	var err error
	o.Format, err = FormatOf(name)
	return err
}

// counter tells how many bytes have been read.
type counter struct {
	r    io.Reader
	tell func(n int)
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if n > 0 && c.tell != nil {
		c.tell(n)
	}
	return n, err
}

// inflate returns a reader of r's text, which may be gzipped; its first bytes
// say so, whatever its name.
func inflate(r io.Reader) (*bufio.Reader, error) {
	b := bufio.NewReaderSize(r, 256<<10)
	magic, err := b.Peek(2)
	if err != nil && err != io.EOF {
		return nil, err
	}
	if string(magic) != "\x1f\x8b" {
		return b, nil
	}
	z, err := gzip.NewReader(b)
	if err != nil {
		return nil, err
	}
	return bufio.NewReaderSize(z, 256<<10), nil
}

// sniff tells SenML from a table by the first character that is not a blank.
func sniff(b *bufio.Reader) (Format, error) {
	start, err := b.Peek(512)
	if err != nil && err != io.EOF {
		return "", err
	}
	start = trimBOM(start)
	for _, c := range start {
		switch c {
		case ' ', '\t', '\r', '\n':
			continue
		case '[', '{':
			return SenML, nil
		}
		break
	}
	return CSV, nil
}
