package framefile

import (
	"errors"
	"io"
	"math"
	"runtime"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"greywatt"
)

// A parquetRow is the table of the CSV. What a frame lacks is null. Sensors read
// in steps, so that a dictionary of the values is short; where it is not, the
// library writes them as they are.
type parquetRow struct {
	Time       int64    `parquet:"time,delta,timestamp(microsecond)"`
	Dwelling   string   `parquet:"dwelling,dict"`
	Node       string   `parquet:"node,dict"`
	WasteIn    *float64 `parquet:"waste_in_c,optional,dict"`
	WasteOut   *float64 `parquet:"waste_out_c,optional,dict"`
	ColdIn     *float64 `parquet:"cold_in_c,optional,dict"`
	PreheatOut *float64 `parquet:"preheat_out_c,optional,dict"`
	Flow       *float64 `parquet:"flow_l_min,optional,dict"`
	Ambient    *float64 `parquet:"ambient_c,optional,dict"`
	WasteFlow  *float64 `parquet:"waste_flow_l_min,optional,dict"`
}

// Bounds of what is held in memory, this project's choice: a group of rows for
// each processor, some 8 MB of frames each, and its pages.
const (
	rowsPerGroup    = 1 << 16
	pageBytes       = 1 << 16
	dictionaryBytes = 1 << 18
	rowsAtOnce      = 1024
)

// A parquetWriter encodes groups of rows at once and writes them in order.
type parquetWriter struct {
	out    *parquet.GenericWriter[any]
	most   int // groups at once
	group  *rowGroup
	busy   []*rowGroup // being encoded, the oldest first
	free   []*rowGroup
	failed error
}

type rowGroup struct {
	to        *parquet.ConcurrentRowGroupWriter
	dwellings []string
	frames    []greywatt.Frame
	values    []parquet.Value
	names     map[string][]byte
	done      chan error
}

func newParquetWriter(w io.Writer) *parquetWriter {
	return &parquetWriter{
		out: parquet.NewGenericWriter[any](w, parquet.SchemaOf(parquetRow{}),
			parquet.Compression(&zstd.Codec{Level: zstd.SpeedFastest}),
			parquet.MaxRowsPerRowGroup(rowsPerGroup),
			parquet.PageBufferSize(pageBytes),
			parquet.DictionaryMaxBytes(dictionaryBytes),
			parquet.CreatedBy("greywatt", "", "")),
		most: runtime.GOMAXPROCS(0),
	}
}

func (p *parquetWriter) write(dwelling string, f *greywatt.Frame) error {
	if p.failed != nil {
		return p.failed
	}
	if p.group == nil {
		p.group = p.newGroup()
	}
	g := p.group
	g.dwellings, g.frames = append(g.dwellings, dwelling), append(g.frames, *f)
	if len(g.frames) == rowsPerGroup {
		p.begin()
	}
	return p.failed
}

func (p *parquetWriter) newGroup() *rowGroup {
	if n := len(p.free); n > 0 {
		g := p.free[n-1]
		p.free = p.free[:n-1]
		return g
	}
	return &rowGroup{
		to: p.out.BeginRowGroup(), names: map[string][]byte{}, done: make(chan error, 1),
		dwellings: make([]string, 0, rowsPerGroup), frames: make([]greywatt.Frame, 0, rowsPerGroup),
	}
}

// begin has the group at hand encoded, and writes the oldest where as many as
// there are processors are under way.
func (p *parquetWriter) begin() {
	g := p.group
	p.group = nil
	p.busy = append(p.busy, g)
	go func() { g.done <- g.encode() }()
	if len(p.busy) > p.most {
		p.commit()
	}
}

// commit writes the oldest group.
func (p *parquetWriter) commit() {
	g := p.busy[0]
	p.busy = p.busy[1:]
	err := <-g.done
	if err == nil && p.failed == nil {
		_, err = g.to.Commit()
	}
	if p.failed == nil {
		p.failed = err
	}
	g.dwellings, g.frames = g.dwellings[:0], g.frames[:0]
	p.free = append(p.free, g)
}

// close ends the file.
func (p *parquetWriter) close() error {
	if p.group != nil {
		p.begin()
	}
	for len(p.busy) > 0 {
		p.commit()
	}
	if p.failed != nil {
		return p.failed
	}
	p.failed = errors.New("the file has been ended")
	return p.out.Close()
}

// encode gives the columns their values, some rows at a time so that pages end
// where they should.
func (g *rowGroup) encode() error {
	columns := g.to.ColumnWriters()
	for from := 0; from < len(g.frames); from += rowsAtOnce {
		to := min(from+rowsAtOnce, len(g.frames))
		frames := g.frames[from:to]
		for c, column := range columns {
			values := g.values[:0]
			switch c {
			case 0:
				for i := range frames {
					values = append(values, parquet.Int64Value(int64(frames[i].At)).Level(0, 0, c))
				}
			case 1:
				for _, dwelling := range g.dwellings[from:to] {
					values = append(values, parquet.ByteArrayValue(g.name(dwelling)).Level(0, 0, c))
				}
			case 2:
				for i := range frames {
					values = append(values, parquet.ByteArrayValue(g.name(frames[i].Node)).Level(0, 0, c))
				}
			default:
				values = appendCells(values, frames, greywatt.Channel(c-3), c)
			}
			g.values = values
			if _, err := column.WriteRowValues(values); err != nil {
				return err
			}
		}
	}
	return g.to.Flush()
}

func (g *rowGroup) name(s string) []byte {
	b, ok := g.names[s]
	if !ok {
		b = []byte(s)
		g.names[s] = b
	}
	return b
}

// appendCells appends a channel's values; a value that is there has the definition
// level 1 of an optional column.
func appendCells(values []parquet.Value, frames []greywatt.Frame, channel greywatt.Channel, column int) []parquet.Value {
	null := parquet.NullValue().Level(0, 0, column)
	flow := channel.IsFlow()
	for i := range frames {
		v := frames[i].Value[channel]
		switch {
		case math.IsNaN(v):
			values = append(values, null)
			continue
		case flow:
			v = litresPerMinute(v)
		}
		values = append(values, parquet.DoubleValue(v).Level(0, 1, column))
	}
	return values
}
