// Node is a reference for whoever builds a node: all that a node does between
// its sensors and its logger, in portable Go. See node --help, and node.md in
// the folder above for why it does what it does.
//
// It shares the names of the channels with greywatt and nothing else: its packs
// are written from RFC 8428, so that greywatt can be tested against it.
package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"time"

	"greywatt"
	"greywatt/firmware-notes/node/internal/buffer"
	"greywatt/firmware-notes/node/internal/senml"
)

// The exit codes.
const (
	exitDone    = 0
	exitFailure = 1
	exitUsage   = 2
	exitLost    = 3
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends it at once
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the program: it returns the exit code and never ends the process.
func run(ctx context.Context, args []string, out, errOut io.Writer) int {
	o, err := parseOptions(args)
	switch {
	case err != nil:
		fmt.Fprintf(errOut, "node: %s\n", strings.ReplaceAll(err.Error(), "\n", "\nnode: "))
		return exitUsage
	case o.help:
		err = o.writeHelp(out)
	default:
		err = o.run(ctx, out, slog.New(slog.NewTextHandler(errOut, nil)))
	}
	switch {
	case errors.Is(err, errLost):
		return exitLost
	case err != nil:
		fmt.Fprintf(errOut, "node: %v\n", err)
		return exitFailure
	}
	return exitDone
}

// errLost: frames were lost. The log has told of them.
var errLost = errors.New("frames were lost")

const segmentBytes = 64 << 10

// run connects the parts, runs them, and closes them in reverse.
func (o *options) run(ctx context.Context, out io.Writer, log *slog.Logger) (err error) {
	cfg, err := o.linkConfig()
	if err != nil {
		return err
	}
	what, clock, closeFile, err := o.world()
	if err != nil {
		return err
	}
	defer closeFile()
	buf, err := buffer.Open(o.bufferDir, buffer.Options{
		MaxBytes: int64(o.bufferMiB) << 20, SegmentBytes: segmentBytes, Fsync: buffer.Fsync(o.fsync),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, buf.Close()) }()
	if n := buf.Size(); n > 0 {
		log.Info("frames of an earlier run are in the buffer, and go first", "bytes", n)
	}
	send := &sender{
		link: cfg, base: o.dwelling + "/" + o.node + "/", format: senml.Format(o.format), buffer: buf, log: log,
		wake: make(chan struct{}, 1), retryMost: o.retry, ackTimeout: time.Minute,
	}
	sample := &sampler{
		clock: clock, sensors: what, pace: pace{rest: o.rest, hold: o.hold}, buffer: buf, log: log,
		every: o.every, sendEvery: o.sendEvery, length: o.length, due: send.notify,
	}
	if o.echo {
		w := bufio.NewWriter(out)
		if _, err := fmt.Fprintln(w, echoHeader()); err != nil {
			return err
		}
		sample.echo = func(f senml.Frame) error { return echo(w, &f) }
	}

	// The sender outlives the sampler by the time that it has for the rest.
	sending, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	last, sent := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(sent)
		send.run(sending, last)
	}()
	err = sample.run(ctx)
	close(last)
	select {
	case <-sent:
	case <-time.After(o.drain):
		stop()
		<-sent
	}
	t := sample.tally
	log.Info("stopped", "frames_buffered", t.buffered, "acknowledged", send.acked, "buffer_bytes", buf.Size(),
		"lost", t.lost, "undated", t.undated, "clock_set_back", t.backward)
	if err == nil && t.lost+t.undated > 0 {
		err = errLost
	}
	return err
}

// world returns what the node is in: sensors and a clock.
func (o *options) world() (what sensors, c clock, closeFile func() error, err error) {
	closeFile = func() error { return nil }
	begin := time.Now()
	if o.start != "" {
		begin, _ = time.Parse(time.RFC3339Nano, o.start) // checked with the flags
	}
	what = newFlat(o.seed)
	if o.replay != "" {
		f, err := os.Open(o.replay)
		if err != nil {
			return nil, nil, nil, err
		}
		rec, err := openRecording(o.replay, bufio.NewReader(f))
		if err != nil {
			return nil, nil, nil, errors.Join(err, f.Close())
		}
		what, begin, closeFile = rec, rec.start, f.Close
	}
	c = hostClock{start: time.Now(), unsynced: o.unsynced}
	if o.replay != "" || o.start != "" || o.flags.Changed("speed") {
		c = &virtualClock{start: begin, unsynced: o.unsynced, speed: o.speed}
	}
	carries, err := o.carries()
	return fitting{what, carries}, c, closeFile, err
}

func echoHeader() string { return "time," + strings.Join(channelColumns[:], ",") }

// echo writes a frame as greywatt import reads it.
func echo(w *bufio.Writer, f *senml.Frame) error {
	w.WriteString(time.UnixMilli(f.AtMS).UTC().Format(time.RFC3339Nano))
	for c, v := range f.Value {
		w.WriteByte(',')
		if v == senml.Absent {
			continue
		}
		x := v.Float()
		if greywatt.Channel(c).IsFlow() {
			x = float64(int64(v)*litreMin) / 1e6
		}
		w.WriteString(strconv.FormatFloat(x, 'f', -1, 64))
	}
	w.WriteByte('\n')
	return w.Flush()
}
