package main

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"greywatt/firmware-notes/node/internal/buffer"
	"greywatt/firmware-notes/node/internal/senml"
)

// A sender publishes what is in the buffer, oldest first, and releases what is
// acknowledged.
type sender struct {
	link   linkConfig
	base   string // of the names, "<dwelling>/<node>/"
	format senml.Format
	buffer *buffer.Buffer
	log    *slog.Logger

	wake       chan struct{} // there may be something to send; holds one
	retryMost  time.Duration
	ackTimeout time.Duration

	released buffer.Position
	acked    int64 // frames
}

const (
	window     = 8       // packs under way
	packBytes  = 4 << 10 // of records: some 105 frames, 22 kB in JSON
	retryLeast = time.Second
	upAgain    = 10 * time.Second // see connection
)

// notify says that there may be something to send.
func (s *sender) notify() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// run publishes until ctx ends, or until last is closed and all is
// acknowledged. It tries for ever: a fault of the link is no reason to stop.
func (s *sender) run(ctx context.Context, last <-chan struct{}) {
	wait := retryLeast
	for {
		began := time.Now()
		err := s.connection(ctx, last)
		if err == nil || ctx.Err() != nil || closed(last) && s.empty() {
			return
		}
		if time.Since(began) > s.retryMost {
			wait = retryLeast
		}
		wait = min(wait, s.retryMost)
		pause := wait - rand.N(wait/2+1) // so that nodes do not come back in step
		s.log.Warn("no link", "error", err, "next_attempt_in", pause.Round(time.Millisecond), "buffered_bytes", s.buffer.Size())
		wait *= 2
		if sleep(ctx, pause) != nil {
			return
		}
	}
}

func closed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// empty reports whether all that can be read is released.
func (s *sender) empty() bool {
	batch, err := s.buffer.Read(s.released, 1)
	return err == nil && len(batch.Records) == 0
}

// A parcel is a message under way.
type parcel struct {
	token  mqtt.Token
	end    buffer.Position // of what it carries
	frames int
}

// connection makes one connection and serves it. nil means that all is
// acknowledged and the node has said goodbye.
func (s *sender) connection(ctx context.Context, last <-chan struct{}) error {
	l, err := dial(ctx, s.link)
	if err != nil {
		return err
	}
	defer l.close()
	s.log.Info("link up", "broker", s.link.broker.Redacted())

	cursor := s.released // what was under way on an earlier connection goes again
	way := []parcel{{token: l.presence(up), end: cursor}}
	progress := time.Now()
	// A broker that finds out only now that the connection before this one is
	// dead may publish its last will after our "up".
	again := time.NewTimer(upAgain)
	defer again.Stop()
	for {
		ending := closed(last) // asked before the buffer is
		for len(way) < window {
			p, err := s.next(l, cursor)
			if err != nil {
				return err
			}
			if p.frames == 0 {
				break
			}
			if len(way) == 0 {
				progress = time.Now()
			}
			way = append(way, p)
			cursor = p.end
		}
		var acked, ended <-chan struct{}
		var patience <-chan time.Time
		switch {
		case len(way) > 0:
			acked = way[0].token.Done()
			patience = time.After(time.Until(progress.Add(s.ackTimeout)))
		case ending:
			return l.goodbye()
		default:
			ended = last
		}
		select {
		case <-acked:
			if err := s.acknowledged(way[0]); err != nil {
				return err
			}
			way = way[1:]
			progress = time.Now()
		case <-s.wake:
		case <-ended:
		case <-again.C:
			way = append(way, parcel{token: l.presence(up), end: cursor})
		case <-patience:
			return fmt.Errorf("no acknowledgement for %v", s.ackTimeout)
		case err := <-l.lost:
			return err
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// next publishes the pack that begins at cursor; it has no frames where there
// is nothing to send.
func (s *sender) next(l *link, cursor buffer.Position) (parcel, error) {
	p := parcel{end: cursor}
	for {
		batch, err := s.buffer.Read(p.end, packBytes)
		if err != nil {
			return parcel{}, err
		}
		p.end = batch.Next
		if batch.Skipped > 0 {
			s.log.Warn("the buffer is damaged, or a write was cut short: passed over", "bytes", batch.Skipped)
		}
		var frames []senml.Frame
		for _, rec := range batch.Records {
			f, err := senml.ParseRecord(rec)
			if err != nil {
				s.log.Warn("passed over", "error", err)
				continue
			}
			frames = append(frames, f)
		}
		if len(frames) > 0 {
			p.frames = len(frames)
			p.token = l.pack(s.format.Append(nil, s.base, frames))
			return p, nil
		}
		if len(batch.Records) == 0 {
			return p, nil
		}
	}
}

func (s *sender) acknowledged(p parcel) error {
	if err := p.token.Error(); err != nil {
		return err
	}
	s.released = p.end
	s.acked += int64(p.frames)
	return s.buffer.Release(p.end)
}
