package intake

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strings"

	"greywatt/ingest"
	"greywatt/plots/wording"
)

const (
	// shownOfKind are told of each kind of refusal; the others are counted.
	shownOfKind = 5
	// keptOfKind are given to the store of each kind and file, so that a wrong
	// zone does not fill it; the count includes the others.
	keptOfKind = 100
	// maxKinds bounds the kinds told apart; what is beyond goes by its reason.
	maxKinds = 500
)

// Refusals counts rejected records by kind: the reason, and its detail without
// the figures and quoted texts in it.
type Refusals struct {
	Out io.Writer   // where the first of each kind are told
	All *csv.Writer // where all are written; nil: nowhere

	N     int
	kinds map[string]*kind
	order []*kind
}

type kind struct {
	first ingest.RejectedRecord
	n     int
	shown int
	kept  int                   // of the file at hand
	more  ingest.RejectedRecord // the file's others, in one
}

// NewRefusals returns the count of an import that tells on out, and writes all
// as CSV to all unless it is nil.
func NewRefusals(out, all io.Writer) (*Refusals, error) {
	r := &Refusals{Out: out, kinds: map[string]*kind{}}
	if all == nil {
		return r, nil
	}
	r.All = csv.NewWriter(all)
	return r, r.All.Write([]string{"source", "dwelling", "reason", "detail", "record"})
}

// Take counts records, tells the first of each kind, and returns those that are
// to be stored one by one. Those of one line and reason are told in one: a pack
// may hold an hour of them.
func (r *Refusals) Take(records []ingest.RejectedRecord) (keep []ingest.RejectedRecord, err error) {
	for len(records) > 0 {
		first, same := &records[0], 1
		for same < len(records) && records[same].Source == first.Source && records[same].Reason == first.Reason {
			same++
		}
		if k := r.kindOf(first); k.shown < shownOfKind {
			k.shown++
			if same > 1 {
				fmt.Fprintf(r.Out, "%s (and %s of this line)\n", *first, wording.Count(same-1, "more record"))
			} else {
				fmt.Fprintln(r.Out, *first)
			}
		}
		for i := range records[:same] {
			rec := &records[i]
			k := r.kindOf(rec)
			r.N++
			k.n++
			if r.All != nil {
				if err := r.All.Write([]string{rec.Source, rec.Dwelling, string(rec.Reason), rec.Detail, rec.Record}); err != nil {
					return nil, err
				}
			}
			if k.kept < keptOfKind {
				k.kept++
				keep = append(keep, *rec)
				continue
			}
			if k.more.Reason == "" {
				k.more = ingest.RejectedRecord{Source: fileOf(rec.Source), Dwelling: rec.Dwelling, Reason: rec.Reason, More: -1}
			}
			k.more.More++
		}
		records = records[same:]
	}
	return keep, nil
}

func (r *Refusals) kindOf(rec *ingest.RejectedRecord) *kind {
	key := string(rec.Reason) + " " + pattern(rec.Detail)
	k, ok := r.kinds[key]
	if !ok && len(r.kinds) >= maxKinds {
		key = string(rec.Reason)
		k, ok = r.kinds[key]
	}
	if !ok {
		k = &kind{first: *rec}
		r.kinds[key] = k
		r.order = append(r.order, k)
	}
	return k
}

// pattern is a detail without what differs from record to record: quoted texts
// and figures.
func pattern(detail string) string {
	var b strings.Builder
	quoted, figure := false, false
	for i := range len(detail) {
		c := detail[i]
		switch {
		case c == '"' && (i == 0 || detail[i-1] != '\\'):
			quoted = !quoted
			b.WriteByte(c)
		case quoted:
		case c >= '0' && c <= '9' || figure && (c == '.' || c == ':' || c == '-' || c == 'T' || c == 'Z' || c == '+'):
			if !figure {
				b.WriteByte('#')
			}
			figure = true
			continue
		default:
			b.WriteByte(c)
		}
		figure = false
	}
	return b.String()
}

func fileOf(source string) string {
	if i := strings.LastIndexByte(source, ':'); i > 0 {
		return source[:i]
	}
	return source
}

// EndFile ends a file and returns the records that stand for those not stored
// one by one.
func (r *Refusals) EndFile() (stand []ingest.RejectedRecord) {
	for _, k := range r.order {
		if k.more.Reason != "" {
			n := k.more.More + 1
			k.more.Detail = "and " + wording.Count(int(n), "more record") + " of this kind, the first of which was: " + k.first.Detail
			k.more.Record = fmt.Sprintf("%d records", n)
			stand = append(stand, k.more)
		}
		k.kept, k.more = 0, ingest.RejectedRecord{}
	}
	return stand
}

// Summarise says how many there are of the kinds of which not all were told, the
// most frequent first.
func (r *Refusals) Summarise() error {
	if r.All != nil {
		r.All.Flush()
		if err := r.All.Error(); err != nil {
			return err
		}
	}
	many := slices.DeleteFunc(slices.Clone(r.order), func(k *kind) bool { return k.n <= shownOfKind })
	slices.SortStableFunc(many, func(a, b *kind) int { return cmp.Compare(b.n, a.n) })
	for _, k := range many {
		fmt.Fprintf(r.Out, "%s in all: %s: %s\n", wording.Count(k.n, "record"), k.first.Reason, k.first.Detail)
	}
	return nil
}
