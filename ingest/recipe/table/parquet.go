package table

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"
)

// parquetRows reads the rows of a Parquet file of flat columns. The first row
// that it gives holds the columns' names.
type parquetRows struct {
	check   *parquetCheck
	groups  []parquet.RowGroup // those not yet begun
	begun   int
	rows    parquet.Rows
	given   int64 // of the row group that is being read
	columns []parquetColumn
	buf     [64]parquet.Row
	have    int
	at      int
	line    int
	cells   [][]byte
	text    []byte
}

type parquetColumn struct {
	name string
	unit time.Duration // of a timestamp; 0: none
	utc  bool
}

func newParquetRows(r io.ReaderAt, size int64) (_ *parquetRows, err error) {
	defer damaged(&err)
	if err := checkFooter(r, size); err != nil {
		return nil, fmt.Errorf("not Parquet: %w", err)
	}
	f, err := parquet.OpenFile(r, size, parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true))
	if err != nil {
		return nil, fmt.Errorf("not Parquet: %w", err)
	}
	p := &parquetRows{groups: f.RowGroups(), check: &parquetCheck{r: r, size: size, meta: f.Metadata()}}
	for _, path := range f.Schema().Columns() {
		leaf, _ := f.Schema().Lookup(path...)
		if leaf.MaxRepetitionLevel > 0 {
			return nil, fmt.Errorf("column %s holds lists; a flat table is wanted", strings.Join(path, "."))
		}
		c := parquetColumn{name: strings.Join(path, ".")}
		if lt := leaf.Node.Type().LogicalType(); lt != nil {
			if stamp, ok := lt.Value.(*format.TimestampType); ok && stamp.Unit.Value != nil {
				c.utc, c.unit = stamp.IsAdjustedToUTC, stamp.Unit.Value.Duration()
			}
		}
		p.columns = append(p.columns, c)
	}
	p.check.leaves(f.Root())
	return p, nil
}

func (p *parquetRows) next() (_ row, err error) {
	defer damaged(&err)
	p.line++
	if p.line == 1 {
		for _, c := range p.columns {
			p.cells = append(p.cells, []byte(c.name))
		}
		return row{cells: p.cells, line: 0}, nil
	}
	for idle := 0; p.at == p.have; idle++ {
		if p.rows == nil {
			if len(p.groups) == 0 {
				return row{}, io.EOF
			}
			if err := p.check.group(p.begun); err != nil {
				return row{}, err
			}
			p.rows, p.groups, p.begun = p.groups[0].Rows(), p.groups[1:], p.begun+1
		}
		n, err := p.rows.ReadRows(p.buf[:])
		switch {
		case n == 0 && err == io.EOF:
			if stated := p.check.meta.RowGroups[p.begun-1].NumRows; p.given != stated {
				return row{}, fmt.Errorf("row group %d states %d rows and has %d", p.begun, stated, p.given)
			}
			err := p.rows.Close()
			if err != nil {
				return row{}, err
			}
			p.rows, p.given, idle = nil, 0, 0
		case n == 0 && err != nil:
			return row{}, err
		case idle == 1000:
			return row{}, io.ErrNoProgress
		}
		p.at, p.have = 0, n
		p.given += int64(n)
	}
	r := p.buf[p.at]
	p.at++
	p.text = p.text[:0]
	ends := make([]int, len(p.columns))
	for _, v := range r {
		i := v.Column()
		if i >= 0 && i < len(ends) {
			p.text = p.columns[i].append(p.text, v)
			ends[i] = len(p.text)
		}
	}
	p.cells = p.cells[:0]
	from := 0
	for _, end := range ends {
		end = max(end, from)
		p.cells = append(p.cells, p.text[from:end])
		from = end
	}
	return row{cells: p.cells, line: p.line - 1, raw: p.text}, nil
}

// append writes a value as the text that a table would have in its place.
func (c *parquetColumn) append(text []byte, v parquet.Value) []byte {
	if v.IsNull() {
		return text
	}
	switch v.Kind() {
	case parquet.Double:
		return strconv.AppendFloat(text, v.Double(), 'g', -1, 64)
	case parquet.Float:
		return strconv.AppendFloat(text, float64(v.Float()), 'g', -1, 32)
	case parquet.Int32:
		return strconv.AppendInt(text, int64(v.Int32()), 10)
	case parquet.Int64:
		if c.unit == 0 {
			return strconv.AppendInt(text, v.Int64(), 10)
		}
		per := int64(time.Second / c.unit)
		s := v.Int64() / per
		ns := v.Int64() % per * int64(c.unit)
		layout := "2006-01-02 15:04:05.999999999"
		if c.utc {
			layout = time.RFC3339Nano
		}
		return time.Unix(s, ns).UTC().AppendFormat(text, layout)
	case parquet.ByteArray, parquet.FixedLenByteArray:
		return append(text, v.ByteArray()...)
	}
	return append(text, v.String()...)
}

func (p *parquetRows) Close() error {
	if p.rows == nil {
		return nil
	}
	return p.rows.Close()
}
