package logger

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"greywatt/ingest/store"
)

const (
	statusEvery  = 30 * time.Second // to a service manager that watches nothing
	watchdogNote = "watchdog"
)

// Supervise tells the service manager, where one has asked for it by NOTIFY_SOCKET
// (sd_notify(3)), that the logger is ready, and then how it fares, until ctx ends.
// Where it watches the logger (WATCHDOG_USEC), it is told three times in that time
// that all is well, but only while nodes can connect and the store commits. zone is
// that of the study's days.
func (l *Logger) Supervise(ctx context.Context, zone *time.Location) {
	watched, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		l.Log.Error("the service manager's watchdog is not served", "error", err)
	}
	every := statusEvery
	if watched > 0 {
		every = watched / 3
	}
	s := &supervised{Logger: l, today: dayIn(l.now(), zone), since: l.now().In(zone)}
	state := daemon.SdNotifyReady
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		err := s.working(ctx)
		if ctx.Err() != nil {
			break
		}
		if watched > 0 && err == nil {
			state += "\n" + daemon.SdNotifyWatchdog
		}
		asked, notifyErr := daemon.SdNotify(false, state+"\nSTATUS="+s.status(l.now().In(zone), err))
		if !asked && notifyErr == nil {
			return // nobody wants to know
		}
		if notifyErr != nil {
			l.Log.Warn("the service manager is not told how the logger fares", "error", notifyErr)
		}
		if (err == nil) != (s.trouble == nil) {
			if s.trouble = err; err != nil {
				l.Log.Error("the service manager is not told that all is well", "error", err)
			}
		}
		state = ""
		select {
		case <-tick.C:
			continue
		case <-ctx.Done():
		}
		break
	}
	daemon.SdNotify(false, daemon.SdNotifyStopping)
}

type supervised struct {
	*Logger
	trouble error

	commits int64 // at the last look
	held    bool  // messages waited then

	today  string
	since  time.Time // of the day's count
	before int64     // readings of earlier days
}

// working returns nil while nodes can connect and what they send is committed. A
// full disk is no reason to start the logger anew: it goes on by itself.
func (s *supervised) working(ctx context.Context) error {
	if s.Broker != nil {
		probing, cancel := context.WithTimeout(ctx, probeTimeout)
		defer cancel()
		if err := s.Broker.Probe(probing); err != nil {
			return err
		}
	}
	status := s.Committer.Status()
	committed := status.Commits != s.commits
	stuck := !committed && s.held && status.Held > 0 && status.FailingSince.IsZero()
	s.commits, s.held = status.Commits, status.Held > 0
	switch {
	case stuck:
		return errors.New("messages wait and none is committed")
	case s.Store == nil, committed && status.FailingSince.IsZero():
		return nil
	}
	err := s.Store.SetNote(ctx, "", watchdogNote, []byte(s.now().UTC().Format(time.RFC3339)))
	if errors.Is(err, store.ErrFull) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("the store does not commit: %w", err)
	}
	return nil
}

// status is the line that systemctl status shows.
func (s *supervised) status(now time.Time, trouble error) string {
	status := s.Committer.Status()
	if day := dayIn(now, now.Location()); day != s.today {
		s.today, s.before = day, status.New
		s.since = time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, now.Location())
	}
	line := fmt.Sprintf("%d dwellings heard; %d readings since %s", status.Dwellings, status.New-s.before, s.since.Format("15:04"))
	if !status.LastCommit.IsZero() {
		line += fmt.Sprintf(", the last %v ago", max(0, now.Sub(status.LastCommit)).Round(time.Second))
	}
	switch {
	case trouble != nil:
		line = trouble.Error() + "; " + line
	case !status.FailingSince.IsZero():
		line = "NOT STORING, " + status.LastError + "; " + line
	}
	return line
}

func dayIn(t time.Time, zone *time.Location) string { return t.In(zone).Format(time.DateOnly) }
