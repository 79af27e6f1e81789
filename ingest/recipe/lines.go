package recipe

import (
	"bytes"
	"strconv"

	"github.com/pelletier/go-toml/v2/unstable"
)

// lineIndex tells on which line of a TOML text each key stands: the path of its
// tables, those of a list with their place from 0, as in channel.2.unit.
func lineIndex(data []byte) map[string]int {
	lines := map[string]int{}
	counts := map[string]int{}
	p := unstable.Parser{}
	p.Reset(data)
	line := func(n *unstable.Node) int {
		at := p.Raw(n.Raw)
		return 1 + bytes.Count(data[:cap(data)-cap(at)], []byte{'\n'})
	}
	table := ""
	for p.NextExpression() {
		e := p.Expression()
		var parts []string
		at := 0
		for it := e.Key(); it.Next(); {
			if at == 0 {
				at = line(it.Node())
			}
			parts = append(parts, string(it.Node().Data))
		}
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = ""
			for i, part := range parts {
				table = join(table, part)
				if e.Kind == unstable.ArrayTable && i == len(parts)-1 {
					counts[table]++
				}
				if n := counts[table]; n > 0 {
					table = join(table, strconv.Itoa(n-1))
				}
			}
			lines[table] = at
		case unstable.KeyValue:
			path := table
			for _, part := range parts {
				path = join(path, part)
				if _, ok := lines[path]; !ok {
					lines[path] = at
				}
			}
		}
	}
	return lines
}

func join(path, part string) string {
	if path == "" {
		return part
	}
	return path + "." + part
}
