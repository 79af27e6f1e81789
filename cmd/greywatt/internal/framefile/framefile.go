// Package framefile writes frames as files that greywatt import reads back: wide
// CSV for spreadsheets and statistics, SenML JSON (RFC 8428), one pack a line, for
// other loggers, and the table as Parquet for columnar engines, encoded by as many
// goroutines as there are processors. SenML gives the same readings, bit for bit.
// So do CSV and Parquet, save that flows go through l/min: one that is not a round
// number there may change in its last of sixteen digits.
package framefile

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"greywatt"
	"greywatt/ingest/payload"
)

// A Format is how frames are written.
type Format string

// The formats, named by the files' extensions.
const (
	CSV     Format = "csv"
	SenML   Format = "senml"
	Parquet Format = "parquet"
)

// A Writer writes frames of any dwellings, each dwelling's in time order.
type Writer struct {
	w     *bufio.Writer
	line  []byte
	write func(dwelling string, f *greywatt.Frame) error

	packs map[string]*pack // SenML: under way, by dwelling/node
	order []*pack

	columns *parquetWriter // Parquet
}

// New returns a Writer; for CSV it writes the header.
func New(w io.Writer, format Format) (*Writer, error) {
	f := &Writer{w: bufio.NewWriterSize(w, 1<<16), packs: map[string]*pack{}}
	switch format {
	case CSV:
		f.write = f.writeCSV
		_, err := f.w.WriteString(csvHeader)
		return f, err
	case SenML:
		f.write = f.writeSenML
		return f, nil
	}
	if format == Parquet {
		f.columns = newParquetWriter(f.w)
		f.write = f.columns.write
		return f, nil
	}
	return nil, fmt.Errorf("format %q: want %s, %s or %s", format, CSV, SenML, Parquet)
}

// Write writes a frame.
func (f *Writer) Write(dwelling string, frame *greywatt.Frame) error { return f.write(dwelling, frame) }

// Flush writes what is held back, all of it that can be written, and ends the
// file: no frame may follow. It does not close the underlying writer.
func (f *Writer) Flush() error {
	var errs []error
	if f.columns != nil {
		errs = append(errs, f.columns.close())
	}
	for _, p := range f.order {
		errs = append(errs, f.endPack(p))
	}
	return errors.Join(append(errs, f.w.Flush())...)
}

const csvHeader = "time,dwelling,node,waste_in_c,waste_out_c,cold_in_c,preheat_out_c,flow_l_min,ambient_c,waste_flow_l_min\n"

// An UnwritableError says which frame the format has no way to write. Nothing of
// it, or of the frames in one pack with it, is written.
type UnwritableError struct {
	Dwelling, Node string
	At             greywatt.Instant // of the first of them
	Err            error
}

func (e *UnwritableError) Error() string {
	return fmt.Sprintf("dwelling %q, node %q, from %s: %v", e.Dwelling, e.Node, e.At, e.Err)
}

func (e *UnwritableError) Unwrap() error { return e.Err }

// appendCell appends a cell of a CSV table (RFC 4180). Ids that older programs
// let in may need quotes.
func appendCell(line []byte, s string) []byte {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return append(line, s...)
	}
	line = append(line, '"')
	line = append(line, strings.ReplaceAll(s, `"`, `""`)...)
	return append(line, '"')
}

// writeCSV writes a line.
func (f *Writer) writeCSV(dwelling string, frame *greywatt.Frame) error {
	line := frame.At.Time().AppendFormat(f.line[:0], time.RFC3339Nano)
	line = appendCell(append(line, ','), dwelling)
	line = appendCell(append(line, ','), frame.Node)
	for c, v := range frame.Value {
		line = append(line, ',')
		if math.IsNaN(v) {
			continue
		}
		if greywatt.Channel(c).IsFlow() {
			v = litresPerMinute(v)
		}
		line = strconv.AppendFloat(line, v, 'f', -1, 64)
	}
	f.line = append(line, '\n')
	_, err := f.w.Write(f.line)
	return err
}

// litresPerMinute returns a number that gives v, in l/s, when it is divided by
// 60 again, where there is one.
func litresPerMinute(v float64) float64 {
	x := v * 60
	for _, near := range []float64{x, math.Nextafter(x, math.Inf(1)), math.Nextafter(x, math.Inf(-1))} {
		if near/60 == v {
			return near
		}
	}
	return x
}

// A pack is a SenML pack under way: frames of one node.
type pack struct {
	readings []greywatt.Reading
	frames   int
}

// framesPerPack is a minute at the usual interval while water runs.
const framesPerPack = 60

func (f *Writer) writeSenML(dwelling string, frame *greywatt.Frame) error {
	name := dwelling + "/" + frame.Node
	p := f.packs[name]
	if p == nil {
		p = &pack{}
		f.packs[name] = p
		f.order = append(f.order, p)
	}
	p.readings = AppendReadings(p.readings, dwelling, frame)
	if p.frames++; p.frames < framesPerPack {
		return nil
	}
	return f.endPack(p)
}

func (f *Writer) endPack(p *pack) error {
	if len(p.readings) == 0 {
		return nil
	}
	line, err := payload.EncodeJSON(f.line[:0], p.readings)
	if err != nil {
		first := p.readings[0]
		p.readings, p.frames = p.readings[:0], 0
		return &UnwritableError{Dwelling: first.Dwelling, Node: first.Node, At: first.At, Err: err}
	}
	f.line = append(line, '\n')
	p.readings, p.frames = p.readings[:0], 0
	_, err = f.w.Write(f.line)
	return err
}

// AppendReadings appends what a frame holds to readings.
func AppendReadings(readings []greywatt.Reading, dwelling string, f *greywatt.Frame) []greywatt.Reading {
	for c, v := range f.Value {
		if !math.IsNaN(v) {
			readings = append(readings, greywatt.Reading{
				Dwelling: dwelling, Node: f.Node, Channel: greywatt.Channel(c), At: f.At, Value: v,
			})
		}
	}
	return readings
}
