package logger

import (
	"context"
	"time"

	"greywatt"
	"greywatt/ingest/mqttsource"
)

// readmitAgain is when the quarantine is gone through a second time, for what was
// under way to it when the study changed.
const readmitAgain = 30 * time.Second

// Rename has readings of the study's dwellings and sensors taken, as the study
// has them now, out of the quarantine too.
func (l *Logger) Rename(study *greywatt.Study) {
	l.Names.Update(study)
	select {
	case l.readmit <- struct{}{}:
	default:
	}
}

// readmitting takes up at the start, and whenever the study has changed, what the
// quarantine has and the study now takes. Whose clock was wrong somebody must say:
// see the command readmit. A failure is no reason to stop logging.
func (l *Logger) readmitting(ctx context.Context) {
	var again <-chan time.Time
	for {
		l.readmitOnce(ctx)
		select {
		case <-l.readmit:
			again = time.After(readmitAgain)
		case <-again:
			again = nil
		case <-ctx.Done():
			return
		}
	}
}

func (l *Logger) readmitOnce(ctx context.Context) {
	if l.Store.QuarantineBytes() == 0 {
		return
	}
	r := mqttsource.Readmitter{Prefix: l.prefix, Resolver: l.Names}
	sum, err := r.Run(ctx, l.shown)
	switch {
	case ctx.Err() != nil:
	case err != nil:
		l.Log.Error("the quarantine was not gone through; trying again when the study changes", "error", err)
	case sum.Settled > 0:
		l.Log.Info("taken up from the quarantine", "messages", sum.Settled, "readings", sum.New, "still_kept", sum.Kept)
	}
}
