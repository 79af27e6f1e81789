package live

import (
	"cmp"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"greywatt/analysis/finding"
	"greywatt/plots/wording"
)

// rowsAPage is how many dwellings stand on one page of the overview: what a
// telephone can scroll through, this project's choice.
const rowsAPage = 25

// A findPart is the form that chooses among the dwellings, as it was filled in.
type findPart struct {
	Query       string
	Shows       []choice
	Connections []choice
	Groups      []choice // none where no dwelling has a group
	Sorts       []choice
	Words       string // what is shown, where that is not all
	Narrow      bool   // something is chosen
	Needed      bool   // there are enough dwellings to choose among
	Newer       string // the page before
	Older       string // the page after
	Scale       bool   // a ratio is shown
}

type choice struct {
	Value, Words string
	Chosen       bool
}

// Names of what the overview can be limited to beside a finding's code.
const (
	showLook   = "look"
	showSilent = "silent"
)

// choose returns the rows that the form asks for, in its order, a page of them,
// and keeps what it needs to show the form.
func (f *findPart) choose(query url.Values, rows []cachedRow) []cachedRow {
	f.Query = strings.TrimSpace(query.Get("q"))
	show, connection, group, order := query.Get("show"), query.Get("connection"), query.Get("group"), query.Get("sort")
	f.Needed = len(rows) > 5
	f.options(rows, show, connection, order)
	f.groups(rows, group)
	kept := slices.DeleteFunc(slices.Clone(rows), func(one cachedRow) bool {
		r := &one.row
		switch {
		case f.Query != "" && !strings.Contains(strings.ToLower(r.ID), strings.ToLower(f.Query)):
			return true
		case connection != "" && r.Connection.String() != connection:
			return true
		case group != "" && r.Group != group:
			return true
		}
		switch show {
		case "":
			return false
		case showLook:
			return !r.Wants
		case showSilent:
			return r.State.Is != silent && r.State.Is != down && r.State.Is != never
		}
		return string(r.Code) != show
	})
	slices.SortStableFunc(kept, func(a, b cachedRow) int { return orders(order)(&a.row, &b.row) })

	pages := max(1, (len(kept)+rowsAPage-1)/rowsAPage)
	page, err := strconv.Atoi(query.Get("page"))
	if err != nil || page < 1 || page > pages {
		page = 1
	}
	f.Narrow = f.Query != "" || show != "" || connection != "" || group != ""
	from, to := (page-1)*rowsAPage, min(page*rowsAPage, len(kept))
	switch {
	case len(kept) == 0 && len(rows) > 0:
		f.Words = "No dwelling is like that."
	case pages > 1:
		f.Words = fmt.Sprintf("%d to %d of %s.", from+1, to, count(len(kept), "dwelling"))
	case f.Narrow:
		f.Words = fmt.Sprintf("%d of %s.", len(kept), count(len(rows), "dwelling"))
	}
	at := func(n int) string {
		v := url.Values{"page": {strconv.Itoa(n)}}
		for name, value := range map[string]string{"q": f.Query, "show": show, "connection": connection, "group": group, "sort": order} {
			if value != "" {
				v.Set(name, value)
			}
		}
		return "/?" + v.Encode()
	}
	if page > 1 {
		f.Newer = at(page - 1)
	}
	if page < pages {
		f.Older = at(page + 1)
	}
	for _, one := range kept[from:to] {
		f.Scale = f.Scale || one.row.Dot != ""
	}
	return kept[from:to]
}

// options lists what can be chosen: findings and connections that there are.
func (f *findPart) options(rows []cachedRow, show, connection, order string) {
	codes := map[finding.Code]int{}
	connections := map[string]int{}
	for i := range rows {
		if c := rows[i].row.Code; c != "" {
			codes[c]++
		}
		connections[rows[i].row.Connection.String()]++
	}
	f.Shows = []choice{{"", "all", show == ""}, {showLook, "in need of attention", show == showLook}, {showSilent, "silent or down", show == showSilent}}
	for _, code := range append(slices.Clone(severities), finding.Undecided, finding.Healthy) {
		if n := codes[code]; n > 0 || string(code) == show {
			f.Shows = append(f.Shows, choice{string(code), fmt.Sprintf("%s (%d)", wording.Plain(code), n), string(code) == show})
		}
	}
	f.Connections = []choice{{"", "any", connection == ""}}
	for _, name := range []string{"A", "B", "C"} {
		if n := connections[name]; n > 0 || name == connection {
			f.Connections = append(f.Connections, choice{name, fmt.Sprintf("%s (%d)", name, n), name == connection})
		}
	}
	for _, o := range [...][2]string{{"", "most severe first"}, {"id", "name"}, {"ratio", "lowest ratio first"}, {"last", "longest silent first"}} {
		f.Sorts = append(f.Sorts, choice{o[0], o[1], o[0] == order})
	}
}

// groups lists the groups that there are.
func (f *findPart) groups(rows []cachedRow, chosen string) {
	counts := map[string]int{}
	for i := range rows {
		if g := rows[i].row.Group; g != "" {
			counts[g]++
		}
	}
	if len(counts) == 0 {
		return
	}
	f.Groups = []choice{{"", "any", chosen == ""}}
	for _, g := range slices.Sorted(maps.Keys(counts)) {
		f.Groups = append(f.Groups, choice{g, fmt.Sprintf("%s (%d)", g, counts[g]), g == chosen})
	}
}

// orders returns the comparison for an order's name; unknown names are the
// first's.
func orders(name string) func(a, b *row) int {
	switch name {
	case "id":
		return func(a, b *row) int { return cmp.Compare(a.ID, b.ID) }
	case "ratio":
		return func(a, b *row) int {
			return cmp.Or(-compareBool(a.RatioV > 0, b.RatioV > 0), cmp.Compare(a.RatioV, b.RatioV))
		}
	case "last":
		return func(a, b *row) int { return cmp.Compare(a.Newest, b.Newest) }
	}
	return bySeverity
}

// compareBool orders false before true.
func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}
