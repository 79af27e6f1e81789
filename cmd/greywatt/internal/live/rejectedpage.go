package live

import (
	"context"
	"fmt"
	"net/http"
	"strconv"

	"greywatt/plots/wording"
)

// listedRecords is how many of the newest records the page shows in full.
const listedRecords = 50

type rejectedCount struct{ Dwelling, Reason, Code, N string }

type rejectedRecord struct{ Reason, When, Source, Detail, Record string }

type rejectedConflict struct{ Channel, At, Kept, Rejected string }

// listedCounts bounds the table of counts, as strangers may make up dwellings; the
// command rejected has all.
const listedCounts = 500

func (p *Page) rejected(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	counts, err := p.cfg.Rejected.RejectedCounts(ctx)
	if err != nil {
		return err
	}
	newest, err := p.cfg.Rejected.Rejected(ctx, listedRecords)
	if err != nil {
		return err
	}
	conflicts, err := p.cfg.Rejected.Conflicts(ctx, listedRecords)
	if err != nil {
		return err
	}
	c := p.clock()
	data := struct {
		frame
		Words     string
		Whole     string // of messages in the quarantine
		Gaps      []string
		Counts    []rejectedCount
		Newest    []rejectedRecord
		Conflicts []rejectedConflict
	}{frame: p.frame(r, "Rejected records")}
	data.At = "rejected"
	var records int64
	for _, n := range counts {
		dwelling := n.Dwelling
		if dwelling == "" {
			dwelling = "not known"
		}
		records += n.N
		if len(data.Counts) == listedCounts {
			continue
		}
		data.Counts = append(data.Counts, rejectedCount{dwelling, wording.Capital(reason(n.Reason)), string(n.Reason), grouped(n.N)})
	}
	var inConflict int64
	for _, d := range p.dwellings {
		d.mu.Lock()
		for _, n := range d.held.Nodes {
			if n.Conflicts > 0 {
				inConflict += n.Conflicts
			}
			if n.Conflicts > 0 && len(data.Counts) < listedCounts {
				data.Counts = append(data.Counts, rejectedCount{d.ID, "Two values for one instant, node " + n.Node, "", grouped(n.Conflicts)})
			}
		}
		d.mu.Unlock()
	}
	for _, f := range newest {
		rec := rejectedRecord{Reason: wording.Capital(reason(f.Reason)), Source: f.Source, Detail: wording.Capital(f.Detail), Record: f.Record}
		if f.At != 0 {
			rec.When = c.second(f.At) + " from "
		}
		data.Newest = append(data.Newest, rec)
	}
	for _, f := range conflicts {
		number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
		data.Conflicts = append(data.Conflicts, rejectedConflict{
			fmt.Sprintf("%s, node %s, %s", f.Dwelling, f.Node, wording.Plain(f.Channel.String())), c.second(f.At), number(f.Kept), number(f.Value),
		})
	}
	switch {
	case records+inConflict == 0:
		data.Words = "No record was rejected: all that came could be used."
	case inConflict == 0:
		data.Words = count(records, "record") + " could not be used. Nothing else of " + theirMessages(records) + " was lost."
	case records == 0:
		data.Words = count(inConflict, "reading") + " contradicted an earlier one, which stays."
	default:
		data.Words = fmt.Sprintf("%s could not be used, and %s contradicted an earlier one, which stays. Nothing else of %s was lost.",
			count(records, "record"), count(inConflict, "reading"), theirMessages(records))
	}
	data.Gaps = p.gaps()
	if data.Whole, err = p.quarantined(ctx); err != nil {
		return err
	}
	return render(w, http.StatusOK, "rejected", &data)
}

// listedPacks is how many nodes with missing packs the page lists.
const listedPacks = 50

// gaps says which packs have not come.
func (p *Page) gaps() (lines []string) {
	if p.cfg.Packs == nil {
		return nil
	}
	for _, k := range p.cfg.Packs() {
		n := k.Missing()
		if n == 0 || len(lines) == listedPacks {
			continue
		}
		verb := "have"
		if n == 1 {
			verb = "has"
		}
		lines = append(lines, fmt.Sprintf("%s, node %s: %s %s not come: %s", k.Dwelling, k.Node, count(int64(n), "pack"), verb, k))
	}
	return lines
}

// quarantined says what is kept whole; "" where nothing is.
func (p *Page) quarantined(ctx context.Context) (string, error) {
	if p.cfg.Quarantine == nil {
		return "", nil
	}
	counts, err := p.cfg.Quarantine(ctx)
	var messages, records int64
	for _, n := range counts {
		messages += n.Messages
		records += n.Records
	}
	if err != nil || messages == 0 {
		return "", err
	}
	s := fmt.Sprintf("%s with %s that cannot be stored yet are kept whole.", count(messages, "message"), count(records, "record"))
	if messages == 1 {
		s = fmt.Sprintf("1 message with %s that cannot be stored yet is kept whole.", count(records, "record"))
	}
	if p.cfg.Ingest != nil && !p.cfg.Ingest().QuarantineFull.IsZero() {
		s += " There is room for no more: further ones stay with their nodes."
	}
	return s, nil
}

func theirMessages(records int64) string {
	if records == 1 {
		return "its message"
	}
	return "their messages"
}
