package table

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"strings"

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
