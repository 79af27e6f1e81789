package mqttsource

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest/payload"
)

// A NoteKeeper keeps notes with the next commit.
type NoteKeeper interface {
	// NoteNext has a dwelling's note stored together with what is appended next. It
	// does not wait for that.
	NoteNext(dwelling, key string, value []byte)
}

// PacksNote begins the key of the note that says which packs of a node came; the
// node's name follows.
const PacksNote = "packs/"

// Packs says which of the packs that a node numbers have come. Those that have not
// are lost, or yet to come: late packs fill the gaps.
type Packs struct {
	Dwelling string           `json:"-"`
	Node     string           `json:"-"`
	Runs     []packRun        `json:"runs"`           // the newest last; at most maxRuns
	Lost     uint64           `json:"lost,omitempty"` // missing, of what is not remembered in detail
	Since    greywatt.Instant `json:"since_us"`       // arrival of the first pack with a number
}

type packRun struct {
	Run     string      `json:"run,omitempty"`
	Newest  uint64      `json:"newest"`
	Missing [][2]uint64 `json:"missing,omitempty"` // first and last, ascending; at most maxMissing
}

// What is remembered of a node.
const (
	maxRuns    = 8
	maxMissing = 64
)

// Missing returns how many packs have not come.
func (p *Packs) Missing() uint64 {
	n := p.Lost
	for i := range p.Runs {
		n += p.Runs[i].missing()
	}
	return n
}

func (r *packRun) missing() (n uint64) {
	for _, m := range r.Missing {
		n += m[1] - m[0] + 1
	}
	return n
}

// saidMissing is how many ranges of missing packs are listed.
const saidMissing = 5

// String says which packs are missing, the newest ones first.
func (p *Packs) String() string {
	var parts []string
	rest := p.Missing()
	for _, r := range slices.Backward(p.Runs) {
		for _, m := range slices.Backward(r.Missing) {
			if len(parts) == saidMissing {
				break
			}
			rest -= m[1] - m[0] + 1
			s := fmt.Sprint(m[0])
			if m[1] > m[0] {
				s = fmt.Sprintf("%d to %d", m[0], m[1])
			}
			if r.Run != "" {
				s += " of run " + r.Run
			}
			parts = append(parts, s)
		}
	}
	if rest > 0 {
		parts = append(parts, fmt.Sprintf("%d earlier ones", rest))
	}
	return strings.Join(parts, ", ")
}

// came notes that a pack has come.
func (p *Packs) came(s payload.Sequence, at greywatt.Instant) {
	i := slices.IndexFunc(p.Runs, func(r packRun) bool { return r.Run == s.Run })
	if i < 0 {
		r := packRun{Run: s.Run}
		if len(p.Runs) == 0 || s.Run == "" { // what was before is not known
			r.Newest = s.N - 1
		}
		if p.Since == 0 {
			p.Since = at
		}
		p.Runs = append(p.Runs, r)
		if len(p.Runs) > maxRuns {
			p.Lost += p.Runs[0].missing()
			p.Runs = slices.Delete(p.Runs, 0, 1)
		}
		i = len(p.Runs) - 1
	}
	r := &p.Runs[i]
	if s.N > r.Newest {
		if s.N > r.Newest+1 {
			r.Missing = append(r.Missing, [2]uint64{r.Newest + 1, s.N - 1})
		}
		r.Newest = s.N
	} else {
		r.fill(s.N)
	}
	if len(r.Missing) > maxMissing {
		p.Lost += r.Missing[0][1] - r.Missing[0][0] + 1
		r.Missing = slices.Delete(r.Missing, 0, 1)
	}
}

// fill notes that a pack came that was missing, if it was.
func (r *packRun) fill(n uint64) {
	for i, m := range r.Missing {
		switch {
		case n < m[0] || n > m[1]:
			continue
		case m[0] == m[1]:
			r.Missing = slices.Delete(r.Missing, i, i+1)
		case n == m[0]:
			r.Missing[i][0]++
		case n == m[1]:
			r.Missing[i][1]--
		default:
			r.Missing[i][1] = n - 1
			r.Missing = slices.Insert(r.Missing, i+1, [2]uint64{n + 1, m[1]})
		}
		return
	}
}

func (p *Packs) clone() *Packs {
	q := *p
	q.Runs = slices.Clone(p.Runs)
	for i := range q.Runs {
		q.Runs[i].Missing = slices.Clone(q.Runs[i].Missing)
	}
	return &q
}

// A numbered is a pack with a number, of a node.
type numbered struct {
	nodeKey
	payload.Sequence
	at greywatt.Instant
}

// noteNumbered has it stored, together with a group's readings, which packs of it
// came. It returns what holds then.
func (c *Committer) noteNumbered(g *group) map[nodeKey]*Packs {
	if len(g.numbered) == 0 {
		return nil
	}
	now := make(map[nodeKey]*Packs)
	c.mu.Lock()
	for _, n := range g.numbered {
		p := now[n.nodeKey]
		if p == nil {
			switch was := c.packs[n.nodeKey]; {
			case was != nil:
				p = was.clone()
			case len(c.packs)+len(now) >= maxClocks:
				continue
			default:
				p = &Packs{Dwelling: n.dwelling, Node: n.node}
			}
			now[n.nodeKey] = p
		}
		p.came(n.Sequence, n.at)
	}
	c.mu.Unlock()
	for k, p := range now {
		text, err := json.Marshal(p)
		if err != nil {
			panic(fmt.Sprintf("mqttsource: %v", err)) // it holds numbers and texts only
		}
		c.cfg.Notes.NoteNext(k.dwelling, PacksNote+k.node, text)
	}
	return now
}

// CountNoPacks has the numbers of packs disregarded, as where loggers share the
// messages and none sees all. It is to be called before [Committer.Run].
func (c *Committer) CountNoPacks() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cfg.Notes = nil
	clear(c.packs)
}

// Packs returns what is known of the nodes that number their packs, by dwelling and
// node.
func (c *Committer) Packs() []*Packs {
	c.mu.Lock()
	all := make([]*Packs, 0, len(c.packs))
	for p := range maps.Values(c.packs) {
		all = append(all, p) // what is there is replaced, never changed
	}
	c.mu.Unlock()
	slices.SortFunc(all, func(a, b *Packs) int { return cmp.Or(cmp.Compare(a.Dwelling, b.Dwelling), cmp.Compare(a.Node, b.Node)) })
	return all
}

// ParsePacks reads a note of [PacksNote].
func ParsePacks(dwelling, key string, value []byte) (*Packs, error) {
	p := &Packs{Dwelling: dwelling, Node: strings.TrimPrefix(key, PacksNote)}
	if err := json.Unmarshal(value, p); err != nil {
		return nil, fmt.Errorf("which packs of %s/%s came: %w", dwelling, p.Node, err)
	}
	return p, nil
}
