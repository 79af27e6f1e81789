package table

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/klauspost/compress/gzip"

	"greywatt/ingest/recipe"
)

// A Sample is the beginning of a file, unpacked.
type Sample struct {
	Format recipe.FileFormat // CSV also where it may be JSON: Text says
	Text   []byte            // of text, whole lines, in the file's encoding
	Rows   [][]string        // of workbooks and Parquet, the header among them
	Sheet  string            // of a workbook, which
}

// Look reads the beginning of a file: at most maxText bytes of text, or maxRows
// rows.
func Look(path string, maxText, maxRows int) (*Sample, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	var magic [4]byte
	n, _ := f.ReadAt(magic[:], 0)
	switch {
	case string(magic[:n]) == "PAR1":
		p, err := newParquetRows(f, info.Size())
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		defer p.Close()
		s := &Sample{Format: recipe.Parquet}
		return s, s.take(p, maxRows)
	case string(magic[:n]) == "PK\x03\x04":
		return lookZip(path, f, info.Size(), maxText, maxRows)
	}
	s := &Sample{Format: recipe.CSV}
	if s.Text, err = textOf(f, maxText); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return s, nil
}

func lookZip(path string, f io.ReaderAt, size int64, maxText, maxRows int) (*Sample, error) {
	z, err := zip.NewReader(f, size)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	for _, m := range z.File {
		if m.Name != "xl/workbook.xml" {
			continue
		}
		rows, err := newSheetRows(io.NewSectionReader(f, 0, size), "")
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		defer rows.Close()
		s := &Sample{Format: recipe.Excel, Sheet: rows.book.GetSheetList()[0]}
		return s, s.take(rows, maxRows)
	}
	for _, m := range z.File {
		if strings.HasSuffix(m.Name, "/") {
			continue
		}
		r, err := m.Open()
		if err != nil {
			return nil, fmt.Errorf("%s!%s: %w", path, m.Name, err)
		}
		defer r.Close()
		s := &Sample{Format: recipe.CSV}
		s.Text, err = textOf(r, maxText)
		return s, err
	}
	return nil, fmt.Errorf("%s: nothing in it", path)
}

func (s *Sample) take(r rows, maxRows int) error {
	for len(s.Rows) < maxRows {
		row, err := r.next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		cells := make([]string, len(row.cells))
		for i, c := range row.cells {
			cells[i] = string(c)
		}
		s.Rows = append(s.Rows, cells)
	}
	return nil
}

// textOf returns whole lines from the beginning of what r gives, gzipped or not.
func textOf(r io.Reader, most int) ([]byte, error) {
	var head [2]byte
	n, err := io.ReadFull(r, head[:])
	if err != nil && n == 0 {
		return nil, fmt.Errorf("the file is empty")
	}
	r = io.MultiReader(bytes.NewReader(head[:n]), r)
	if string(head[:n]) == "\x1f\x8b" {
		z, err := gzip.NewReader(r)
		if err != nil {
			return nil, err
		}
		r = z
	}
	text, err := io.ReadAll(io.LimitReader(r, int64(most)))
	if err != nil {
		return nil, err
	}
	if len(text) == most {
		if end := bytes.LastIndexByte(text, '\n'); end > 0 {
			text = text[:end+1]
			if len(text)%2 == 1 && bytes.IndexByte(text, 0) >= 0 && text[0] != 0 {
				text = append(text, 0) // the newline of UTF-16LE has a second byte
			}
		}
	}
	return text, nil
}
