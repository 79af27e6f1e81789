package studyfile

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"greywatt/ingest/suggest"
)

// Layers are what dwellings have in common: [defaults], and [group.NAME] by name.
type layers struct {
	file     *reader
	defaults *tomlTable
	groups   map[string]*tomlTable // nil: the study file has none
}

// layers reads what dwellings have in common; mistakes in it are told here, once.
func (f *reader) layers(root *section) layers {
	l := layers{file: f, defaults: newTable(root.t.line)}
	groups, defaults := root.value("group"), root.value("defaults")
	if f.keys != nil || groups == nil && defaults == nil {
		return l
	}
	f.told = map[string]bool{}
	if defaults != nil {
		l.defaults = f.layer(root.table("defaults"), "id", "cleaned")
	}
	if groups == nil {
		return l
	}
	l.groups = map[string]*tomlTable{}
	t := root.table("group")
	for _, name := range slices.Sorted(maps.Keys(t.t.values)) {
		if !idText.ok(name) {
			t.mistake(name, fmt.Sprintf("%q: want %s", name, idText.want), idText.remedy)
			continue
		}
		l.groups[name] = f.layer(t.table(name), "id", "cleaned", "group")
	}
	return l
}

// layer reads a part of a dwelling's description and returns it without what is
// one dwelling's own.
func (f *reader) layer(s *section, own ...string) *tomlTable {
	for _, name := range own {
		if s.has(name) {
			s.mistake(name, "is a dwelling's own", "state it with the dwelling, or in its row of the table")
		}
	}
	t := *s.t
	t.values = maps.Clone(t.values)
	for _, name := range own {
		delete(t.values, name)
	}
	f.partial = true
	f.dwelling(f.section(&t, s.path))
	f.partial = false
	return &t
}

// under returns the dwellings of the file, then those of the rows that it has no
// table of, each over what lies below it.
func (l *layers) under(list, rows []*section) []*section {
	row := map[string]*tomlTable{}
	for _, r := range rows {
		if id := r.t.textOf("id"); id != "" && row[id] == nil {
			row[id] = r.t
		}
	}
	stated := map[string]bool{}
	var out []*section
	for _, d := range list {
		t := d.t
		if id := t.textOf("id"); row[id] != nil {
			stated[id] = true
			t = over(t, row[id])
		}
		out = append(out, l.complete(d, t))
	}
	for _, r := range rows {
		if !stated[r.t.textOf("id")] {
			out = append(out, l.complete(r, r.t))
		}
	}
	return out
}

// complete returns the section of a dwelling over its group and the defaults.
func (l *layers) complete(d *section, t *tomlTable) *section {
	whole := over(t, l.defaults)
	out := l.file.section(whole, d.path)
	group := whole.textOf("group")
	if group == "" || l.groups == nil {
		return out
	}
	g, known := l.groups[group]
	if !known {
		remedy := fmt.Sprintf("add [group.%s], which may be empty", group)
		if near, ok := suggest.Nearest(group, slices.Sorted(maps.Keys(l.groups))); ok {
			remedy = "did you mean " + near + "? Else " + remedy
		}
		out.mistake("group", fmt.Sprintf("no [group.%s] beside the others", group), remedy)
		return out
	}
	out.t = over(over(t, g), l.defaults)
	return out
}

// textOf returns a text, empty where there is none.
func (t *tomlTable) textOf(name string) string {
	if v := t.values[name]; v != nil {
		s, _ := v.is.(string)
		return s
	}
	return ""
}

// over returns a table with what top states, and for the rest what below does.
// Neither is changed.
func over(top, below *tomlTable) *tomlTable {
	out := *top
	out.damaged = top.damaged || below.damaged
	out.values = maps.Clone(top.values)
	for name, v := range below.values {
		mine, there := out.values[name]
		if !there {
			out.values[name] = v
			continue
		}
		a, isTable := mine.is.(*tomlTable)
		b, isToo := v.is.(*tomlTable)
		if isTable && isToo {
			out.values[name] = &tomlValue{mine.line, over(a, b)}
		}
		if name == "sensor" {
			out.values[name] = sensorsOver(mine, v)
		}
	}
	return &out
}

// sensorsOver returns the sensors that top states, each filled up from below's of
// its channel, and below's of other channels.
func sensorsOver(top, below *tomlValue) *tomlValue {
	mine, ok := top.is.([]*tomlValue)
	lower, too := below.is.([]*tomlValue)
	if !ok || !too {
		return top
	}
	stated := map[string]bool{}
	var out []*tomlValue
	for _, v := range mine {
		t, ok := v.is.(*tomlTable)
		if !ok {
			out = append(out, v)
			continue
		}
		channel, node := t.textOf("channel"), t.textOf("node")
		stated[channel] = true
		for _, l := range lower {
			b, ok := l.is.(*tomlTable)
			if !ok || b.textOf("channel") != channel {
				continue
			}
			if of := b.textOf("node"); of == "" || node == "" || of == node {
				v = &tomlValue{v.line, sensorOver(t, b)}
				break
			}
		}
		out = append(out, v)
	}
	for _, l := range lower {
		if b, ok := l.is.(*tomlTable); ok && !stated[b.textOf("channel")] {
			out = append(out, l)
		}
	}
	return &tomlValue{top.line, out}
}

// sensorOver fills up a sensor. The part of an uncertainty that a batch shares
// belongs to the whole that is stated with it.
func sensorOver(top, below *tomlTable) *tomlTable {
	out := over(top, below)
	for _, name := range []string{"u95_k", "u95_relative"} {
		if part := "batch_" + name; top.values[name] != nil && top.values[part] == nil {
			delete(out.values, part)
		}
	}
	return out
}

// ownKey returns a key without the dwelling, group or defaults that it is of.
func ownKey(key string) string {
	switch {
	case strings.HasPrefix(key, "dwelling["):
		if _, rest, ok := strings.Cut(key, "]."); ok {
			return rest
		}
	case strings.HasPrefix(key, "defaults."):
		return strings.TrimPrefix(key, "defaults.")
	case strings.HasPrefix(key, "group."):
		if parts := strings.SplitN(key, ".", 3); len(parts) == 3 {
			return parts[2]
		}
	}
	return key
}
