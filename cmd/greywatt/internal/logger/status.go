package logger

import (
	"context"
	"time"
)

// ReportStatus writes status lines until ctx ends.
func (l *Logger) ReportStatus(ctx context.Context, every time.Duration) {
	var status <-chan time.Time
	if every > 0 {
		tick := time.NewTicker(every)
		defer tick.Stop()
		status = tick.C
	}
	for {
		select {
		case <-status:
			l.logStatus()
		case <-ctx.Done():
			return
		}
	}
}

func (l *Logger) logStatus() {
	s := l.Committer.Status()
	up := 0
	for _, p := range l.Committer.Presences() {
		if p.Up {
			up++
		}
	}
	var refused int64
	for _, n := range s.Rejected {
		refused += n
	}
	attrs := []any{"readings", s.New, "duplicates", s.Duplicates, "conflicts", s.Conflicts, "rejected", refused, "nodes_up", up, "held", s.Held}
	if l.Source != nil {
		attrs = append(attrs, "connected", l.Source.Status().Connected)
	} else {
		attrs = append(attrs, "clients", l.Broker.Status().Clients)
	}
	wrong := 0
	for _, c := range l.Committer.Clocks() {
		if c.Fault() != nil {
			wrong++
		}
	}
	var missing uint64
	for _, p := range l.Committer.Packs() {
		missing += p.Missing()
	}
	if missing > 0 {
		attrs = append(attrs, "packs_missing", missing)
	}
	if wrong > 0 {
		attrs = append(attrs, "clocks_wrong", wrong)
	}
	l.Log.Info("status", attrs...)
}
