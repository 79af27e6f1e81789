package table

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"
	"github.com/xuri/excelize/v2"
)

// sheetRows reads a sheet of a workbook, a row at a time.
type sheetRows struct {
	book  *excelize.File
	rows  *excelize.Rows
	cells [][]byte
	line  int
}

// maxUnzipped bounds what a workbook may grow to when it is unpacked.
const maxUnzipped = 8 << 30

// damaged turns a panic of a library into an error: both libraries trust figures
// of a file that a damaged one has wrong.
func damaged(err *error) {
	if v := recover(); v != nil {
		*err = fmt.Errorf("the file is damaged: %v", v)
	}
}

func newSheetRows(r io.Reader, sheet string) (_ *sheetRows, err error) {
	defer damaged(&err)
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, err
	}
	if err := checkSizes(data); err != nil {
		return nil, fmt.Errorf("not a workbook: %w", err)
	}
	book, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{RawCellValue: true, UnzipSizeLimit: maxUnzipped})
	if err != nil {
		return nil, fmt.Errorf("not a workbook: %w", err)
	}
	names := book.GetSheetList()
	if sheet == "" && len(names) > 0 {
		sheet = names[0]
	}
	if i, err := book.GetSheetIndex(sheet); err != nil || i < 0 {
		book.Close()
		return nil, fmt.Errorf("no sheet %q; the workbook has %s", sheet, strings.Join(names, ", "))
	}
	rows, err := book.Rows(sheet)
	if err != nil {
		book.Close()
		return nil, err
	}
	return &sheetRows{book: book, rows: rows}, nil
}

// mostDeflated is the largest factor by which deflate shrinks anything: 258 bytes
// by two bits, from RFC 1951, section 3.2.5, and then a few bytes for its beginning.
const mostDeflated = 258 * 8 / 2

// checkSizes refuses a zip archive that states sizes which its parts cannot have:
// the library makes room for what is stated.
func checkSizes(data []byte) error {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return err
	}
	for _, f := range z.File {
		if f.CompressedSize64 > uint64(len(data)) || f.UncompressedSize64 > f.CompressedSize64*mostDeflated+1024 {
			return fmt.Errorf("%s states %d bytes, which its %d packed ones cannot hold", f.Name, f.UncompressedSize64, f.CompressedSize64)
		}
	}
	return nil
}

func (s *sheetRows) next() (_ row, err error) {
	defer damaged(&err)
	for s.rows.Next() {
		s.line++
		columns, err := s.rows.Columns()
		if err != nil {
			return row{}, err
		}
		s.cells = s.cells[:0]
		empty := true
		for _, c := range columns {
			empty = empty && c == ""
			s.cells = append(s.cells, []byte(c))
		}
		if !empty {
			return row{cells: s.cells, line: s.line, raw: []byte(strings.Join(columns, ","))}, nil
		}
	}
	if err := s.rows.Error(); err != nil {
		return row{}, err
	}
	return row{}, io.EOF
}

func (s *sheetRows) Close() error {
	s.rows.Close()
	return s.book.Close()
}

// parquetRows reads the rows of a Parquet file of flat columns. The first row
// that it gives holds the columns' names.
type parquetRows struct {
	reader  *parquet.GenericReader[any]
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
	f, err := parquet.OpenFile(r, size)
	if err != nil {
		return nil, fmt.Errorf("not Parquet: %w", err)
	}
	p := &parquetRows{reader: parquet.NewGenericReader[any](f)}
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
	for p.at == p.have {
		n, err := p.reader.ReadRows(p.buf[:])
		if n == 0 && err != nil {
			return row{}, err
		}
		p.at, p.have = 0, n
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

func (p *parquetRows) Close() error { return p.reader.Close() }
