// Package studyfile reads the study file: TOML that says what the dwellings are,
// not how to run. It reports every mistake at once, each with its line and what
// to write instead. It reads from an [io.Reader] and knows no files.
package studyfile

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	_ "time/tzdata" // time zones must be known on a board that has none installed

	"github.com/pelletier/go-toml/v2"

	"greywatt"
)

// A Mistake is one thing in a study file that has to be corrected.
type Mistake struct {
	File   string // the table of dwellings, as the study file names it; empty: the study file
	Line   int    // from 1; of the table's header where a key is missing
	Key    string // such as dwelling[larch-04].sensor[flow].scale, of a table such as larch-04, column flow_scale; may be empty
	What   string
	Remedy string
}

// String returns LINE: KEY: WHAT; REMEDY.
func (m Mistake) String() string {
	if m.Key == "" {
		return fmt.Sprintf("%d: %s; %s", m.Line, m.What, m.Remedy)
	}
	return fmt.Sprintf("%d: %s: %s; %s", m.Line, m.Key, m.What, m.Remedy)
}

// Mistakes are all the mistakes of a study file, in the order of its lines.
type Mistakes []Mistake

// Error returns the mistakes, a line each.
func (e Mistakes) Error() string {
	lines := make([]string, len(e))
	for i, m := range e {
		lines[i] = "line " + m.String()
		if m.File != "" {
			lines[i] = m.File + ":" + m.String()
		}
	}
	return strings.Join(lines, "\n")
}

// Read reads a study file, in TOML 1.0 and UTF-8. Where it has mistakes
// the error is a [Mistakes] with every one of them: wrong types, values out
// of range, unknown keys, missing ones, and what cannot be true together.
// A table of dwellings that the file names is a mistake: see [ReadBeside].
//
// A dwelling must state its id, its connection and at least one rated point of
// its exchanger. What else is not stated is taken to be:
//
//	study.name                              ""
//	study.timezone                          "UTC"
//	study.dwellings                         no table
//	dwelling.recruited, fitted, commissioned, left  not known
//	dwelling.exchanger.orientation          "vertical"
//	dwelling.exchanger.rated_cold_in_c      12 °C
//	dwelling.exchanger.rated_waste_in_c     40 °C
//	dwelling.heater.kind                    "unstated"
//	dwelling.heater.efficiency              0.9
//	dwelling.heater.carbon_kg_per_kwh       not known: no carbon figures
//	dwelling.heater.price_per_kwh           not known: no money figures
//	dwelling.heater.currency                "EUR"
//	dwelling.heater.hot_c                   55 °C
//	dwelling.sensor                         one a channel, with the values below
//	dwelling.sensor.node                    whichever node reports the channel
//	dwelling.sensor.name                    <dwelling>/<node>/<channel>
//	dwelling.sensor.offset_k                0 K
//	dwelling.sensor.u95_k                   0.5 K
//	dwelling.sensor.response_s              0 s
//	dwelling.sensor.loss_fraction           0
//	dwelling.sensor.scale                   1
//	dwelling.sensor.u95_relative            0.05
//	dwelling.cleaned                        never
func Read(r io.Reader) (*greywatt.Study, error) { return ReadBeside(r, nil) }

// ReadBeside reads a study file as [Read] does, and the table of dwellings that it
// may name from the folder that the file is in. What a dwelling does not state is
// taken from its row in the table, then from [group.NAME] of its group, then from
// [defaults], each with the keys of a dwelling. A sensor of a channel is filled up
// from that channel's sensor below, and the part that a batch shares goes with the
// u95 that it is a part of.
func ReadBeside(r io.Reader, beside fs.FS) (*greywatt.Study, error) { return read(r, beside, false) }

// ReadBegun does the same, but lets a study have no dwelling yet.
func ReadBegun(r io.Reader, beside fs.FS) (*greywatt.Study, error) { return read(r, beside, true) }

func read(r io.Reader, beside fs.FS, begun bool) (*greywatt.Study, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("read study: %w", err)
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	root, mistakes := buildTree(data)
	f := &reader{mistakes: mistakes, beside: beside, begun: begun}
	study := f.study(f.section(root, ""))
	if len(f.mistakes) == 0 {
		// What our own tree lets pass, such as a table added to an inline one.
		f.strict(data)
	}
	if len(f.mistakes) > 0 {
		slices.SortStableFunc(f.mistakes, func(a, b Mistake) int { return cmp.Compare(a.Line, b.Line) })
		f.mistakes.ofTable(f.table)
		return nil, f.mistakes
	}
	return study, nil
}

// strict lets the library judge the whole file.
func (f *reader) strict(data []byte) {
	var all map[string]any
	err := toml.Unmarshal(data, &all)
	if err == nil {
		return
	}
	line := 1
	if at := (*toml.DecodeError)(nil); errors.As(err, &at) {
		line, _ = at.Position()
	}
	f.mistake(line, "", "not TOML: "+strings.TrimPrefix(err.Error(), "toml: "), "see https://toml.io")
}
