package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"greywatt"
	"greywatt/firmware-notes/node/internal/buffer"
	"greywatt/firmware-notes/node/internal/senml"
)

// A sampler reads the sensors and puts frames into the buffer. Whether there is
// a link is not its business.
type sampler struct {
	clock   clock
	sensors sensors
	pace    pace
	buffer  *buffer.Buffer
	log     *slog.Logger

	every     time.Duration // between polls
	sendEvery time.Duration // how old a frame may get before its pack is due
	length    time.Duration // of the run; 0: without end
	due       func()        // told when there is something to send
	echo      func(senml.Frame) error

	held    []heldFrame // from before the clock was set
	last    *poll       // the one before this
	lastMS  int64
	dueAt   time.Duration
	unsaved int64 // lost to a full buffer since the last that went in
	tally   tally
}

// A poll is what the sensors showed at an uptime.
type poll struct {
	at     time.Duration
	wallMS int64 // time of day, where it was known
	known  bool
	values greywatt.Values
}

type heldFrame struct {
	at     time.Duration
	values greywatt.Values
}

// A tally counts frames.
type tally struct {
	buffered int64
	lost     int64 // the buffer or the memory was full
	undated  int64 // the clock was never set
	backward int64 // the clock had been set back to where there were frames already
}

// mostHeld bounds the frames that wait in memory for the clock to be set: an
// hour and a half of showers.
const mostHeld = 5400

// setBackMost is how far a clock may be set back and the node wait until it has
// caught up; further back than that its time was wrong before.
const setBackMost = 10 * time.Second

// run samples until ctx ends, the sensors do, or the run has its length. What it
// sampled is then in the buffer. An error is the sensors' or the echo's.
func (s *sampler) run(ctx context.Context) error {
	err := s.loop(ctx)
	if n := len(s.held); n > 0 {
		s.tally.undated += int64(n)
		s.log.Warn("the clock was never set: frames without a time are lost", "frames", n)
	}
	s.saved()
	s.sync()
	if errors.Is(err, io.EOF) || ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

func (s *sampler) loop(ctx context.Context) error {
	for tick := s.clock.uptime().Truncate(s.every); ; tick += s.every {
		if late := s.clock.uptime() - tick; late > s.every {
			tick += late.Truncate(s.every)
		}
		if err := s.clock.wait(ctx, tick); err != nil {
			return err
		}
		if s.length > 0 && tick >= s.length {
			return nil
		}
		if err := s.poll(); err != nil {
			return err
		}
		if tick >= s.dueAt {
			s.sync()
			s.dueAt = tick + s.sendEvery
		}
	}
}

func (s *sampler) poll() error {
	p := &poll{at: s.clock.uptime()}
	var err error
	if p.values, err = s.sensors.read(p.at); err != nil {
		return err
	}
	now, known := s.clock.wall()
	p.wallMS, p.known = now.UnixMilli(), known
	if known && len(s.held) > 0 {
		if err := s.date(p); err != nil {
			return err
		}
	}
	before := s.last
	s.last = p
	if before != nil && known && !before.known {
		before.wallMS, before.known = p.wallMS-(p.at-before.at).Milliseconds(), true
	}
	switch s.pace.judge(p.at, &p.values) {
	case keepBoth:
		if err := s.take(before); err != nil {
			return err
		}
		return s.take(p)
	case keep:
		return s.take(p)
	}
	return nil
}

// date gives the frames from before the clock was set their times.
func (s *sampler) date(p *poll) error {
	s.log.Info("the clock is set: frames from before get their times", "frames", len(s.held))
	held := s.held
	s.held = nil
	for _, h := range held {
		if err := s.save(senml.FrameOf(p.wallMS-(p.at-h.at).Milliseconds(), h.values)); err != nil {
			return err
		}
	}
	return nil
}

func (s *sampler) take(p *poll) error {
	if p.known {
		return s.save(senml.FrameOf(p.wallMS, p.values))
	}
	if len(s.held) == mostHeld {
		s.full(errors.New("too many frames wait in memory for the clock to be set"))
		return nil
	}
	s.held = append(s.held, heldFrame{p.at, p.values})
	return nil
}

// save puts a frame into the buffer. No two frames get one time, as a second
// value for it would count as a conflict.
func (s *sampler) save(f senml.Frame) error {
	if f.Empty() {
		return nil
	}
	if back := s.lastMS - f.AtMS; back >= 0 && back <= setBackMost.Milliseconds() && s.lastMS != 0 {
		s.tally.backward++
		return nil
	}
	s.lastMS = f.AtMS
	if err := s.buffer.Append(f.AppendRecord(nil)); err != nil {
		s.full(err)
		return nil
	}
	s.saved()
	s.tally.buffered++
	if s.echo == nil {
		return nil
	}
	if err := s.echo(f); err != nil {
		return fmt.Errorf("echo: %w", err)
	}
	return nil
}

// full says that a frame could not be kept, once until one can be.
func (s *sampler) full(err error) {
	if s.unsaved == 0 {
		s.log.Error("frames are lost from here on", "error", err)
	}
	s.unsaved++
	s.tally.lost++
}

func (s *sampler) saved() {
	if s.unsaved > 0 {
		s.log.Error("end of the loss", "frames_lost", s.unsaved)
		s.unsaved = 0
	}
}

func (s *sampler) sync() {
	if err := s.buffer.Sync(); err != nil {
		s.log.Error("what was written may not survive a power cut", "error", err)
	}
	s.due()
}
