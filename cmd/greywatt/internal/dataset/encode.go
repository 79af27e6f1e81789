package dataset

import (
	"encoding/csv"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// writeCSV writes the table as RFC 4180 CSV, with line feeds only.
func (t *table) writeCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	header := make([]string, len(t.fields))
	for i, f := range t.fields {
		header[i] = f.Name
	}
	if err := out.Write(header); err != nil {
		return err
	}
	if err := t.each(out.Write); err != nil {
		return err
	}
	out.Flush()
	return out.Error()
}

// Bounds of what the Parquet writer holds in memory: for a page larger than
// this the compressor takes 16 MB.
const (
	rowsPerGroup = 20_000
	pageBytes    = 1 << 16
)

// writeParquet writes the table with the values that its CSV has. A value that
// is not known is null. description goes into the file's metadata under
// "datapackage.resource".
func (t *table) writeParquet(w io.Writer, description string) error {
	out := parquet.NewGenericWriter[any](w,
		t.parquetSchema(),
		parquet.Compression(&zstd.Codec{}),
		parquet.MaxRowsPerRowGroup(rowsPerGroup),
		parquet.PageBufferSize(pageBytes),
		parquet.CreatedBy("greywatt", "", ""),
		parquet.KeyValueMetadata("datapackage.resource", description))
	row := make(parquet.Row, len(t.fields))
	err := t.each(func(cells []string) error {
		for i, f := range t.fields {
			v, err := f.parquetValue(cells[i])
			if err != nil {
				return fmt.Errorf("%s: %w", f.Name, err)
			}
			defined := 1 // the definition level in an optional column
			if v.IsNull() {
				defined = 0
			}
			row[i] = v.Level(0, defined, i)
		}
		_, err := out.WriteRows([]parquet.Row{row})
		return err
	})
	if err != nil {
		return err
	}
	return out.Close()
}

// parquetSchema makes a struct type on the way, because the library keeps the
// order of columns for structs only.
func (t *table) parquetSchema() *parquet.Schema {
	fields := make([]reflect.StructField, len(t.fields))
	for i, f := range t.fields {
		kind, option := reflect.TypeFor[string](), ""
		switch f.Type {
		case typeDatetime:
			kind, option = reflect.TypeFor[int64](), ",timestamp(millisecond)"
		case typeInteger:
			kind = reflect.TypeFor[int64]()
		case typeNumber:
			kind = reflect.TypeFor[float64]()
		}
		fields[i] = reflect.StructField{
			Name: fmt.Sprintf("Column%d", i),
			Type: kind,
			Tag:  reflect.StructTag(fmt.Sprintf(`parquet:"%s,optional%s"`, f.Name, option)),
		}
	}
	of := parquet.SchemaOf(reflect.New(reflect.StructOf(fields)).Interface())
	return parquet.NewSchema(t.name, of)
}

// parquetValue reads a cell back; the same figures stand in both files.
func (f *field) parquetValue(cell string) (parquet.Value, error) {
	if cell == "" {
		return parquet.NullValue(), nil
	}
	switch f.Type {
	case typeDatetime:
		at, err := time.Parse(timeLayout, cell)
		return parquet.Int64Value(at.UnixMilli()), err
	case typeInteger:
		n, err := strconv.ParseInt(cell, 10, 64)
		return parquet.Int64Value(n), err
	case typeNumber:
		v, err := strconv.ParseFloat(cell, 64)
		return parquet.DoubleValue(v), err
	default:
		return parquet.ByteArrayValue([]byte(cell)), nil
	}
}
