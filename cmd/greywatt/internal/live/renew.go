package live

import (
	"slices"

	"greywatt"
)

// Renew returns a page of another description of the study, which answers in the
// place of p from then on: visitors stay signed in, streams begin again by
// themselves. What followed p must have stopped, and is to show the new page what
// it finds; [Page.Run] is to be called for it too.
func (p *Page) Renew(study *greywatt.Study) *Page {
	p = p.Newest()
	cfg := p.cfg
	cfg.Study = study
	q := New(cfg)
	q.access, q.viewerSlots, q.changes = p.access, p.viewerSlots, p.changes
	q.metrics = p.metrics
	q.metrics.page.Store(q)
	q.feed.lost.Store(p.feed.lost.Load())
	q.handler = q.newHandler() // with that access, and those metrics
	q.clocks.Store(p.clocks.Load())
	for _, d := range q.dwellings {
		if was := p.byID[d.ID]; was != nil {
			d.inherit(was)
		}
	}
	p.successor.Store(q)
	p.stop()
	return q
}

// inherit takes over what does not depend on the description.
func (d *dwelling) inherit(was *dwelling) {
	was.mu.Lock()
	defer was.mu.Unlock()
	d.present, d.held, d.clocks, d.live, d.run = was.present, was.held, was.clocks, was.live, was.run
	d.present.sensors = nil // they may be described otherwise now
	for c := range d.present.track {
		d.present.track[c] = slices.Clone(was.present.track[c])
	}
	d.version = max(d.version, was.version+1)
}

// Newest returns the page that answers in the place of p; p itself where none
// does.
func (p *Page) Newest() *Page {
	for q := p.successor.Load(); q != nil; q = p.successor.Load() {
		p = q
	}
	return p
}

// Refuse shows why an edit of the study's files is not taken; empty: it is.
func (p *Page) Refuse(why string) {
	p = p.Newest()
	if why == "" {
		p.refused.Store(nil)
		return
	}
	p.refused.Store(&why)
}
