package files

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
	"greywatt/ingest/suggest"
)

// A role is what a column of a table holds.
type role uint8

const (
	roleUnknown role = iota
	roleTime
	roleDwelling
	roleNode
	roleCelsius
	roleLitresPerMinute
)

// A column of a table.
type column struct {
	name    string
	role    role
	channel greywatt.Channel // of the last two roles
}

// columns are those that a table may have.
var columns = []column{
	{name: "time", role: roleTime},
	{name: "dwelling", role: roleDwelling},
	{name: "node", role: roleNode},
	{"waste_in_c", roleCelsius, greywatt.WasteIn},
	{"waste_out_c", roleCelsius, greywatt.WasteOut},
	{"cold_in_c", roleCelsius, greywatt.ColdIn},
	{"preheat_out_c", roleCelsius, greywatt.PreheatOut},
	{"flow_l_min", roleLitresPerMinute, greywatt.Flow},
	{"ambient_c", roleCelsius, greywatt.Ambient},
	{"waste_flow_l_min", roleLitresPerMinute, greywatt.WasteFlow},
}

func columnNames() []string {
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = c.name
	}
	return names
}

// A table is what a CSV file's header says.
type table struct {
	columns              []column
	time, dwelling, node int                     // columns, -1: none
	rejected             []ingest.RejectedRecord // columns that are not known, and left out
}

// readHeader reads the header of a table. An unknown column is refused, and the
// others are taken; where nothing can be taken the error wraps [ErrHeader].
func readHeader(name string, lines *lineReader, o Options) (*table, error) {
	text, number, err := lines.header()
	if err == nil {
		var t *table
		if t, err = parseHeader(text, o.Dwelling != ""); err == nil {
			for i := range t.rejected {
				t.rejected[i].Source = lineOf(name, number)
			}
			return t, nil
		}
	}
	if errors.Is(err, io.EOF) {
		err = errors.New("the file is empty; want a first line such as time,waste_in_c,waste_out_c,cold_in_c,preheat_out_c,flow_l_min")
	}
	return nil, fmt.Errorf("%s: %w: %w", lineOf(name, max(number, 1)), ErrHeader, err)
}

func parseHeader(text []byte, dwellingStated bool) (*table, error) {
	if err := checkHeaderText(text); err != nil {
		return nil, err
	}
	names, err := csv.NewReader(bytes.NewReader(text)).Read()
	if err != nil {
		return nil, err
	}
	t := &table{time: -1, dwelling: -1, node: -1}
	values := 0
	for i, name := range names {
		name = strings.TrimSpace(name)
		c := column{name: name}
		if k := slices.IndexFunc(columns, func(c column) bool { return c.name == name }); k >= 0 {
			c = columns[k]
		}
		if c.role != roleUnknown && slices.Contains(t.columns, c) {
			return nil, fmt.Errorf("column %s stands twice; keep one", name)
		}
		t.columns = append(t.columns, c)
		switch c.role {
		case roleUnknown:
			t.rejected = append(t.rejected, rejectColumn(name))
		case roleTime:
			t.time = i
		case roleDwelling:
			t.dwelling = i
		case roleNode:
			t.node = i
		default:
			values++
		}
	}
	switch {
	case t.time < 0:
		return nil, fmt.Errorf("no column time, RFC 3339 or Unix seconds; the columns are %s", strings.Join(names, ", "))
	case values == 0:
		return nil, fmt.Errorf("no column with readings; want some of %s", strings.Join(columnNames()[3:], ", "))
	case t.dwelling < 0 && !dwellingStated:
		return nil, ErrNoDwelling
	}
	return t, nil
}

// checkHeaderText recognises what spreadsheets save in place of UTF-8 text with
// commas.
func checkHeaderText(text []byte) error {
	switch {
	case bytes.HasPrefix(text, []byte("\xff\xfe")) || bytes.HasPrefix(text, []byte("\xfe\xff")) || bytes.IndexByte(text, 0) >= 0:
		return errors.New("the text is UTF-16; save the file as CSV UTF-8, or import it by a recipe (greywatt recipe proposes one)")
	case text[0] == '[' || text[0] == '{':
		return errors.New("the text is JSON; state --format senml")
	case bytes.IndexByte(text, ',') >= 0:
		return nil
	case bytes.IndexByte(text, ';') >= 0:
		return errors.New("the columns are separated by ';'; save the file with ',' between columns and '.' in numbers, or import it by a recipe (greywatt recipe proposes one)")
	case bytes.IndexByte(text, '\t') >= 0:
		return errors.New("the columns are separated by tabs; save the file with ',' between columns, or import it by a recipe (greywatt recipe proposes one)")
	}
	return nil
}

func rejectColumn(name string) ingest.RejectedRecord {
	shown := payload.Excerpt([]byte(name))
	detail := fmt.Sprintf("column %q is not known and is left out; ", shown)
	if near, ok := suggest.Nearest(name, columnNames()); ok {
		detail += "is it " + near + "?"
	} else {
		detail += "known are " + strings.Join(columnNames(), ", ")
	}
	return ingest.RejectedRecord{Reason: ingest.BadColumn, Detail: detail, Record: shown}
}
