package dataset

import (
	"encoding/csv"
	"fmt"
	"io"
	"reflect"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// writeCSV writes the table as RFC 4180 CSV, with line feeds only.
func (t *table[R]) writeCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	record := make([]string, len(t.columns))
	for i := range t.columns {
		record[i] = t.columns[i].name
	}
	if err := out.Write(record); err != nil {
		return err
	}
	for _, r := range t.rows {
		for i := range t.columns {
			record[i] = t.columns[i].cell(r)
		}
		if err := out.Write(record); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// rowsPerGroup bounds what the Parquet writer holds in memory.
const rowsPerGroup = 50_000

// writeParquet writes the table with the values that its CSV has. A value that
// is not known is null. description goes into the file's metadata under
// "datapackage.resource".
func (t *table[R]) writeParquet(w io.Writer, description string) error {
	out := parquet.NewGenericWriter[any](w,
		parquet.NewSchema(t.name, t.parquetSchema()),
		parquet.Compression(&zstd.Codec{}),
		parquet.MaxRowsPerRowGroup(rowsPerGroup),
		parquet.CreatedBy("greywatt", "", ""),
		parquet.KeyValueMetadata("datapackage.resource", description))
	row := make(parquet.Row, len(t.columns))
	for _, r := range t.rows {
		for i := range t.columns {
			row[i] = t.columns[i].parquetValue(r, i)
		}
		if _, err := out.WriteRows([]parquet.Row{row}); err != nil {
			return err
		}
	}
	return out.Close()
}

// parquetSchema makes a struct type on the way, because the library keeps the
// order of columns for structs only.
func (t *table[R]) parquetSchema() *parquet.Schema {
	fields := make([]reflect.StructField, len(t.columns))
	for i := range t.columns {
		kind, option := reflect.TypeFor[float64](), ""
		switch c := &t.columns[i]; {
		case c.text != nil:
			kind = reflect.TypeFor[string]()
		case c.at != nil:
			kind, option = reflect.TypeFor[int64](), ",timestamp(millisecond)"
		case c.decimals == 0:
			kind = reflect.TypeFor[int64]()
		}
		fields[i] = reflect.StructField{
			Name: fmt.Sprintf("Column%d", i),
			Type: kind,
			Tag:  reflect.StructTag(fmt.Sprintf(`parquet:"%s,optional%s"`, t.columns[i].name, option)),
		}
	}
	return parquet.SchemaOf(reflect.New(reflect.StructOf(fields)).Interface())
}

func (c *column[R]) parquetValue(r R, index int) parquet.Value {
	const defined = 1 // definition level of a value that is there, in an optional column
	switch {
	case c.text != nil:
		if s := c.text(r); s != "" {
			return parquet.ValueOf(s).Level(0, defined, index)
		}
	case c.at != nil:
		if at := c.at(r); at != 0 {
			return parquet.ValueOf(milliseconds(at)).Level(0, defined, index)
		}
	default:
		if v, ok := c.rounded(r); ok && c.decimals == 0 {
			return parquet.ValueOf(int64(v)).Level(0, defined, index)
		} else if ok {
			return parquet.ValueOf(v).Level(0, defined, index)
		}
	}
	return parquet.ValueOf(nil).Level(0, 0, index)
}
