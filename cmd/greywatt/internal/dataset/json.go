package dataset

import (
	"encoding/json"
	"io"

	"greywatt/analysis/event"
)

// WriteJSON writes events as JSON, one object a line, with the names and the
// figures of events.csv; what is not known is null.
func WriteJSON(w io.Writer, events []event.Event) error {
	var line []byte
	for i := range events {
		line = append(line[:0], '{')
		for k := range eventColumns {
			c := &eventColumns[k]
			if k > 0 {
				line = append(line, ',')
			}
			line = append(append(append(line, '"'), c.name...), `":`...)
			cell := c.cell(&events[i])
			switch {
			case c.number == nil:
				text, err := json.Marshal(cell)
				if err != nil {
					return err
				}
				line = append(line, text...)
			case cell == "":
				line = append(line, "null"...)
			default:
				line = append(line, cell...)
			}
		}
		line = append(line, '}', '\n')
		if _, err := w.Write(line); err != nil {
			return err
		}
	}
	return nil
}
