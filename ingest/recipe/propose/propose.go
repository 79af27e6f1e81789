// Package propose looks at data of an unknown logger and writes a recipe for it,
// with its reason beside each guess. What the data cannot tell is marked DOUBT,
// for a person to decide before anything is imported.
package propose

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"greywatt"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe"
)

// A Sample is the beginning of a file.
type Sample struct {
	Name   string
	Format recipe.FileFormat // Excel and Parquet have Rows; others Text
	Text   []byte
	Rows   [][]string
	Sheet  string
}

// A Proposal is a recipe with its reasons.
type Proposal struct {
	head   []string
	parts  []note
	Doubts int // guesses that a person is to decide
}

// Options say what is known beside the data.
type Options struct {
	Zone      *time.Location // of the study, for local times
	Dwellings []string       // of the study
}

// File proposes a recipe for a file.
func File(s *Sample, o Options) (*Proposal, error) {
	g, samples, err := gridOf(s)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.Name, err)
	}
	w, err := findTime(g, o.Zone)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.Name, err)
	}
	p := &Proposal{head: []string{fmt.Sprintf("Proposed from %s, %d rows of it.", s.Name, len(g.rows))}}
	l := findLong(g, w)
	all, seconds := seriesOf(g, w, l)
	showers, longest := classify(all, seconds)
	if longest < longRunS {
		p.head = append(p.head, fmt.Sprintf("They hold no draw of %g s or more: a file with a day of showers tells more.", longRunS))
	}

	p.open("[file]")
	for _, n := range g.format {
		p.add(n)
	}
	if samples != "" {
		p.add(note{"samples", quoted(samples), "each line holds a list of samples there", false})
	}
	if l != nil {
		p.add(note{"name_from", g.refs[l.name], fmt.Sprintf("a row for each value: it repeats %s", strings.Join(l.names[:min(3, len(l.names))], ", ")), false})
		p.add(note{"value_from", g.refs[l.value], "the only other numbers", false})
	}
	p.time(g, w, o, showers)
	p.place(g, w, l, o)
	p.channels(all)
	return p, nil
}

func gridOf(s *Sample) (g *grid, samples string, err error) {
	switch s.Format {
	case recipe.Excel, recipe.Parquet:
		g, err = sheetOf(s)
		return g, "", err
	}
	text, encoding := decode(s.Text)
	if first := strings.TrimSpace(text); first != "" && (first[0] == '{' || first[0] == '[') {
		return linesOfJSON(text)
	}
	if g, err = tableOf(text); err == nil {
		g.format = append(g.format, encoding...)
	}
	return g, "", err
}

// sheetOf takes the rows of a workbook or Parquet.
func sheetOf(s *Sample) (*grid, error) {
	g := &grid{point: '.'}
	g.say("format", quoted(string(s.Format)), "")
	rows := s.Rows
	if s.Format == recipe.Excel {
		g.say("sheet", quoted(s.Sheet), "the first")
		width := 0
		for _, r := range rows {
			width = max(width, len(r))
		}
		skip := 0
		for skip < len(rows) && len(rows[skip]) < width {
			skip++
		}
		if skip > 0 {
			g.say("skip_lines", fmt.Sprint(skip), "that many rows stand before the table")
			rows = rows[skip:]
		}
	}
	if len(rows) < 3 {
		return nil, fmt.Errorf("too few rows to propose from: %d", len(rows))
	}
	g.header(rows)
	return g, nil
}

// linesOfJSON flattens lines of JSON into columns named by their paths.
func linesOfJSON(text string) (g *grid, samples string, err error) {
	g = &grid{point: '.'}
	g.say("format", quoted("json"), "")
	type sample struct{ own, shared map[string]string }
	var all []sample
	var order []string
	seen := map[string]bool{}
	note := func(m map[string]string, path string, v any) {
		flatten(v, path, func(path, value string) {
			m[path] = value
			if !seen[path] {
				seen[path] = true
				order = append(order, path)
			}
		})
	}
	d := json.NewDecoder(strings.NewReader(text))
	d.UseNumber()
	for len(all) < 20_000 {
		var v any
		if err := d.Decode(&v); err != nil {
			if !errors.Is(err, io.EOF) && len(all) == 0 {
				return nil, "", fmt.Errorf("not JSON, a value a line: %w", err)
			}
			break
		}
		path, list := listOfObjects(v, "$")
		if path == "" {
			m := map[string]string{}
			note(m, "$", v)
			all = append(all, sample{own: m})
			continue
		}
		samples = path + "[*]"
		shared := map[string]string{}
		note(shared, "$", without(v, list))
		for _, item := range list {
			m := map[string]string{}
			note(m, "$", item)
			all = append(all, sample{m, shared})
		}
	}
	if len(all) < 2 {
		return nil, "", fmt.Errorf("too few samples to propose from: %d", len(all))
	}
	slices.Sort(order)
	if seen["$.n"] && seen["$.v"] {
		return nil, "", errors.New("the text is SenML, which import takes without a recipe")
	}
	for _, path := range order {
		g.names = append(g.names, path)
		g.refs = append(g.refs, quoted(path))
	}
	for _, s := range all {
		row := make([]string, len(order))
		for i, path := range order {
			row[i] = s.shared[path]
			if v, ok := s.own[path]; ok {
				row[i] = v
			}
		}
		g.rows = append(g.rows, row)
	}
	return g, samples, nil
}

// listOfObjects finds a list of objects within v, and its path.
func listOfObjects(v any, path string) (string, []any) {
	switch v := v.(type) {
	case []any:
		if len(v) > 0 {
			if _, ok := v[0].(map[string]any); ok {
				return path, v
			}
		}
	case map[string]any:
		for _, k := range sortedKeys(v) {
			if p, list := listOfObjects(v[k], member(path, k)); p != "" {
				return p, list
			}
		}
	}
	return "", nil
}

// without is v with the list left out.
func without(v any, list []any) any {
	switch v := v.(type) {
	case []any:
		if len(v) > 0 && len(list) > 0 && &v[0] == &list[0] {
			return nil
		}
	case map[string]any:
		m := map[string]any{}
		for k, x := range v {
			m[k] = without(x, list)
		}
		return m
	}
	return v
}

func sortedKeys(m map[string]any) []string {
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// member is the JSONPath of a member (RFC 9535, section 2.3.1 and 2.5.1).
func member(path, name string) string {
	plain := name != ""
	for i, r := range name {
		plain = plain && (r == '_' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || i > 0 && r >= '0' && r <= '9')
	}
	if plain {
		return path + "." + name
	}
	return path + "['" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(name) + "']"
}

func flatten(v any, path string, leaf func(path, value string)) {
	switch v := v.(type) {
	case map[string]any:
		for _, k := range sortedKeys(v) {
			flatten(v[k], member(path, k), leaf)
		}
	case []any:
		for i, x := range v {
			if i < 32 {
				flatten(x, fmt.Sprintf("%s[%d]", path, i), leaf)
			}
		}
	case json.Number:
		leaf(path, v.String())
	case string:
		leaf(path, v)
	}
}

// A long table has a row for each value.
type long struct {
	name, value int
	names       []string
}

func findLong(g *grid, w *when) *long {
	var words, numbers []int
	for i := range g.names {
		if slices.Contains(w.columns, i) {
			continue
		}
		n, filled := 0, 0
		for _, c := range g.column(i) {
			if c != "" {
				filled++
			}
			if v := g.number(c); v == v {
				n++
			}
		}
		switch {
		case n*10 > filled*8 && filled*2 > len(g.rows):
			numbers = append(numbers, i)
		case filled*10 > len(g.rows)*9:
			words = append(words, i)
		}
	}
	if len(numbers) != 1 {
		return nil
	}
	best := (*long)(nil)
	for _, i := range words {
		distinct := map[string]int{}
		changes, last := 0, ""
		for _, c := range g.column(i) {
			distinct[c]++
			if c != last {
				changes++
			}
			last = c
		}
		if len(distinct) < 2 || len(distinct) > 60 || changes < len(g.rows)/3 {
			continue
		}
		if best == nil || len(distinct) > len(best.names) {
			best = &long{name: i, value: numbers[0]}
			for name := range distinct {
				best.names = append(best.names, name)
			}
			slices.Sort(best.names)
		}
	}
	return best
}

// seriesOf returns the numeric columns in the order of time; of a long table,
// its sensors, on a common clock.
func seriesOf(g *grid, w *when, l *long) (all []*series, seconds []float64) {
	order := w.order()
	if l == nil {
		for _, k := range order {
			seconds = append(seconds, w.seconds[k])
		}
		for i := range g.names {
			if slices.Contains(w.columns, i) {
				continue
			}
			cells := g.column(i)
			values, n := make([]float64, len(order)), 0
			filled := 0
			for at, k := range order {
				values[at] = g.number(cells[k])
				if values[at] == values[at] {
					n++
				}
				if cells[k] != "" {
					filled++
				}
			}
			if n*10 > filled*5 && n > 1 {
				all = append(all, newSeries(g.names[i], g.refs[i], values))
			}
		}
		return all, seconds
	}
	names, values := g.column(l.name), g.column(l.value)
	byName := map[string]*series{}
	for _, name := range l.names {
		byName[name] = &series{name: name, ref: quoted(name)}
	}
	for _, k := range order {
		if n := len(seconds); n == 0 || seconds[n-1] != w.seconds[k] {
			seconds = append(seconds, w.seconds[k])
			for _, s := range byName {
				s.values = append(s.values, math.NaN())
			}
		}
		byName[names[k]].values[len(seconds)-1] = g.number(values[k])
	}
	for _, name := range l.names {
		s := byName[name]
		n := 0
		for _, v := range s.values {
			if v == v {
				n++
			}
		}
		if n > 1 {
			all = append(all, newSeries(name, s.ref, s.values))
		}
	}
	return all, seconds
}

func (p *Proposal) open(header string) { p.parts = append(p.parts, note{value: header}) }

func (p *Proposal) add(n note) {
	p.parts = append(p.parts, n)
	if n.doubt {
		p.Doubts++
	}
}

func (p *Proposal) time(g *grid, w *when, o Options, showers []float64) {
	p.open("[time]")
	ref := g.refs[w.columns[0]]
	if len(w.columns) == 2 {
		ref = "[" + ref + ", " + g.refs[w.columns[1]] + "]"
	}
	p.add(note{"from", ref, "", false})
	why := w.why
	if w.doubt {
		why += "; day and month may as well be the other way round"
	}
	p.add(note{"format", quoted(w.format), why, w.doubt})
	if w.local {
		zone := o.Zone
		if zone == nil {
			zone = time.UTC
		}
		name, why, doubt := zoneOf(g, w, zone, showers)
		p.add(note{"timezone", quoted(name), why, doubt})
	}
	if w.newestFirst() {
		p.add(note{"newest_first", "true", "the rows go back in time", false})
	}
}

// place says which dwelling it is, as far as a column does.
func (p *Proposal) place(g *grid, w *when, l *long, o Options) {
	p.open("[place]")
	words := []string{"dwelling", "home", "house", "flat", "site", "household", "id", "unit", "device", "serial", "node", "box", "logger"}
	dwelling, node := -1, -1
	for i, name := range g.names {
		if slices.Contains(w.columns, i) || l != nil && (i == l.name || i == l.value) {
			continue
		}
		values := map[string]bool{}
		for _, c := range g.column(i) {
			values[c] = true
		}
		if len(values) > 500 || len(values) == len(g.rows) && len(g.rows) > 3 {
			continue
		}
		known := len(o.Dwellings) > 0
		for v := range values {
			known = known && slices.Contains(o.Dwellings, v)
		}
		last := strings.ToLower(name[strings.LastIndexAny(name, ".[")+1:])
		at := slices.IndexFunc(words, func(w string) bool { return strings.Trim(last, "'] ") == w })
		switch {
		case known, at >= 0 && at < 6 && dwelling < 0:
			dwelling = i
		case at >= 6 && node < 0:
			node = i
		}
	}
	if dwelling >= 0 {
		p.add(note{"dwelling_from", g.refs[dwelling], "the column names dwellings", false})
		var other []string
		for _, c := range g.column(dwelling) {
			if !slices.Contains(o.Dwellings, c) && !slices.Contains(other, c) && len(other) < 200 {
				other = append(other, c)
			}
		}
		if len(other) > 0 {
			slices.Sort(other)
			var pairs []string
			for _, name := range other {
				pairs = append(pairs, quoted(name)+" = "+quoted(idOf(name)))
			}
			p.add(note{"dwellings", "{ " + strings.Join(pairs, ", ") + " }", "not ids of the study: write its ids on the right", true})
		}
	} else {
		id, why := "", "nothing in the file says which dwelling it is: write the study's id, or leave it out and use --dwelling ID"
		if len(o.Dwellings) == 1 {
			id, why = o.Dwellings[0], "the only one of the study"
		}
		p.add(note{"dwelling", quoted(id), why, len(o.Dwellings) != 1})
	}
	if node >= 0 && node != dwelling {
		p.add(note{"node_from", g.refs[node], "the column names devices", false})
	}
}

func (p *Proposal) channels(all []*series) {
	taken := map[greywatt.Channel]bool{}
	for c := range greywatt.Channel(greywatt.NumChannels) {
		for _, s := range all {
			if !s.taken || s.channel != c || taken[c] {
				continue
			}
			taken[c] = true
			p.open("[[channel]]")
			for _, n := range s.notes {
				if n.key != "" {
					p.add(n)
				}
			}
		}
	}
	for _, s := range all {
		if !s.taken {
			why := "for no channel"
			for _, n := range s.notes {
				why = n.why
			}
			p.parts = append(p.parts, note{why: fmt.Sprintf("%s (%.6g to %.6g): left out: %s", s.name, s.lo, s.hi, why)})
		}
	}
	for c := range greywatt.Channel(greywatt.NumChannels) {
		if !taken[c] && !c.Optional() {
			p.Doubts++
			p.parts = append(p.parts, note{why: fmt.Sprintf("DOUBT: nothing looks like %s; add its [[channel]] if it is there", c)})
		}
	}
}

// String returns the recipe as TOML, the reasons as comments.
func (p *Proposal) String() string {
	var b strings.Builder
	for _, h := range p.head {
		fmt.Fprintf(&b, "# %s\n", oneLine(h))
	}
	if p.Doubts > 0 {
		fmt.Fprintf(&b, "# Marked DOUBT: %d. Decide them before the import.\n", p.Doubts)
	}
	for i, n := range p.parts {
		switch {
		case n.key == "" && n.value != "":
			if i+1 == len(p.parts) || p.parts[i+1].key == "" {
				continue // a table without a key
			}
			fmt.Fprintf(&b, "\n%s\n", n.value)
			continue
		case n.key == "":
			fmt.Fprintf(&b, "\n# %s\n", oneLine(n.why))
			continue
		}
		if n.why != "" || n.doubt {
			mark := ""
			if n.doubt {
				mark = "DOUBT: "
			}
			fmt.Fprintf(&b, "# %s%s\n", mark, oneLine(n.why))
		}
		fmt.Fprintf(&b, "%s = %s\n", n.key, n.value)
	}
	return b.String()
}

// oneLine keeps a stranger's text within its comment.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
}

// idOf returns an id like a logger's name: the name itself where it is one, else
// with hyphens for what an id cannot hold.
func idOf(name string) string {
	if payload.CheckID(name) == nil {
		return name
	}
	id := strings.Trim(notInID.ReplaceAllString(name, "-"), "-_.:")
	if payload.CheckID(id) != nil {
		return "dwelling"
	}
	return id
}

var notInID = regexp.MustCompile(`[^-A-Za-z0-9_.:]+`)
