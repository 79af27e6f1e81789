package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"greywatt"
)

// A recording replays a wide CSV file, as greywatt import takes it: a column
// time, RFC 3339 or Unix seconds, and any of the columns of the channels. A
// sensor shows the value of the last line that is not later.
type recording struct {
	name    string
	rows    *csv.Reader
	columns []int // by field: the channel, timeColumn or otherColumn
	start   time.Time

	now, next   greywatt.Values
	nextAt      time.Duration // of the last line where there is no next
	over, begun bool
	shown       bool // the last line
}

const (
	timeColumn  = -1
	otherColumn = -2
	litreMin    = 60 // l/min in a l/s
)

// channelColumns are the columns in the channels' order.
var channelColumns = [greywatt.NumChannels]string{
	"waste_in_c", "waste_out_c", "cold_in_c", "preheat_out_c", "flow_l_min", "ambient_c", "waste_flow_l_min",
}

// openRecording reads the header and the first line.
func openRecording(name string, r io.Reader) (*recording, error) {
	rec := &recording{name: name, rows: csv.NewReader(r)}
	rec.rows.ReuseRecord = true
	header, err := rec.rows.Read()
	if err != nil {
		return nil, fmt.Errorf("%s: header: %w", name, err)
	}
	for _, title := range header {
		c := slices.Index(channelColumns[:], title)
		switch {
		case title == "time":
			c = timeColumn
		case c < 0:
			c = otherColumn
		}
		rec.columns = append(rec.columns, c)
	}
	if !slices.Contains(rec.columns, timeColumn) {
		return nil, fmt.Errorf("%s: no column time; the first line names the columns", name)
	}
	if err := rec.advance(); err != nil {
		return nil, err
	}
	if rec.over {
		return nil, fmt.Errorf("%s: no line after the header", name)
	}
	rec.now = rec.next
	return rec, nil
}

func (r *recording) read(uptime time.Duration) (greywatt.Values, error) {
	for !r.over && r.nextAt <= uptime {
		r.now = r.next
		if err := r.advance(); err != nil {
			return greywatt.Values{}, err
		}
	}
	if r.over && r.shown {
		return greywatt.Values{}, io.EOF
	}
	r.shown = r.over
	return r.now, nil
}

// advance reads the next line.
func (r *recording) advance() error {
	row, err := r.rows.Read()
	if errors.Is(err, io.EOF) {
		r.over = true
		return nil
	}
	if err != nil {
		return fmt.Errorf("%s: %w", r.name, err)
	}
	line, _ := r.rows.FieldPos(0)
	r.next = greywatt.NoValues()
	for i, text := range row {
		switch c := r.columns[i]; {
		case c == otherColumn || text == "" && c != timeColumn:
		case c == timeColumn:
			at, err := parseTime(text)
			if err != nil {
				return fmt.Errorf("%s:%d: %w", r.name, line, err)
			}
			if !r.begun {
				r.begun, r.start = true, at
			}
			if at.Sub(r.start) < r.nextAt {
				return fmt.Errorf("%s:%d: %s is earlier than the line before; sort the lines by time", r.name, line, text)
			}
			r.nextAt = at.Sub(r.start)
		default:
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return fmt.Errorf("%s:%d: %s: want a number, got %q", r.name, line, channelColumns[c], text)
			}
			if greywatt.Channel(c).IsFlow() {
				v /= litreMin
			}
			r.next[c] = v
		}
	}
	return nil
}

func parseTime(text string) (time.Time, error) {
	if seconds, err := strconv.ParseFloat(text, 64); err == nil && math.Abs(seconds) < 1e11 {
		return time.UnixMicro(int64(math.Round(seconds * 1e6))), nil
	}
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return time.Time{}, fmt.Errorf("time %q: want RFC 3339, such as 2026-01-07T08:00:00Z, or Unix seconds", text)
	}
	return at, nil
}
