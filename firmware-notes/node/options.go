package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/firmware-notes/node/internal/buffer"
	"greywatt/firmware-notes/node/internal/senml"
)

// options are the command line.
type options struct {
	dwelling, node, prefix string

	broker, clientID, user, passwordFile string
	ca, cert, key                        string
	retry                                time.Duration

	format    string
	channels  []string
	every     time.Duration
	rest      time.Duration
	hold      time.Duration
	sendEvery time.Duration

	bufferDir string
	bufferMiB int
	fsync     string

	replay   string
	seed     uint64
	start    string
	speed    float64
	unsynced time.Duration
	length   time.Duration
	drain    time.Duration
	echo     bool

	flags *pflag.FlagSet
	help  bool
}

const about = `node samples clamp-on sensors and publishes what they show: a reference for
whoever builds a node, and a second publisher for testing a logger.

    go run ./firmware-notes/node --dwelling larch-04

It has no sensors of its own: it invents a flat in which people shower, or it
replays a file. Everything else is what a node does. Readings go to a buffer on
disk first and from there, oldest first, to the broker with QoS 1; they leave
the buffer when they are acknowledged. Link loss, a kill or a restart lose
nothing; what was under way goes again. When the buffer is full the oldest are
kept, and the node says what it could not keep.

Until the clock is set, frames wait in memory and then get their times. With
--replay, --start or --speed the clock is a virtual one.

SIGINT or SIGTERM stops it: it sends what it can within --drain, says "down",
and leaves the rest for the next start.
`

const exitCodes = `
Exit codes:
     0  stopped, or done; what was sampled is acknowledged or in the buffer
     1  failure
     2  wrong usage
     3  as 0, but frames were lost: the buffer was full, or the clock never set
`

func (o *options) flagSet() *pflag.FlagSet {
	f := pflag.NewFlagSet("node", pflag.ContinueOnError)
	f.SortFlags = false
	f.SetOutput(io.Discard)
	f.StringVar(&o.dwelling, "dwelling", "", "`ID` of the dwelling (required)")
	f.StringVar(&o.node, "node", "n1", "`ID` of the node in it")
	f.StringVar(&o.prefix, "prefix", "greywatt", "first `LEVEL` of the topics")
	f.StringVar(&o.broker, "broker", "tcp://127.0.0.1:1883", "`URL` of the broker, tcp:// or tls://")
	f.StringVar(&o.clientID, "client-id", "", "`NAME` of the connection (default DWELLING~NODE)")
	f.StringVar(&o.user, "user", "", "`NAME` to log in with")
	f.StringVar(&o.passwordFile, "password-file", "", "`FILE` with the password")
	f.StringVar(&o.ca, "ca", "", "PEM `FILE` of the authority that signs the broker's certificate (default the system's)")
	f.StringVar(&o.cert, "cert", "", "PEM `FILE` of the node's own certificate")
	f.StringVar(&o.key, "key", "", "PEM `FILE` of its key")
	f.DurationVar(&o.retry, "retry", time.Minute, "longest `TIME` between attempts to connect")
	f.StringVar(&o.format, "format", string(senml.CBOR), "`FORMAT` of the packs: json or cbor")
	f.StringSliceVar(&o.channels, "channels", nil, "comma-separated `CHANNELS` that this node carries (default all there are)")
	f.DurationVar(&o.every, "every", time.Second, "`TIME` between readings while water runs")
	f.DurationVar(&o.rest, "rest", time.Minute, "`TIME` between readings at rest")
	f.DurationVar(&o.hold, "hold", 3*time.Minute, "`TIME` to go on fast after water has stopped")
	f.DurationVar(&o.sendEvery, "send-every", 20*time.Second, "`TIME` to gather readings for a pack")
	f.StringVar(&o.bufferDir, "buffer", "node-buffer", "`DIR` of the buffer, one a node")
	f.IntVar(&o.bufferMiB, "buffer-mib", 64, "most `MIB` that the buffer takes, some 27000 frames each")
	f.StringVar(&o.fsync, "fsync", string(buffer.FsyncPack), "`WHEN` readings are made to survive a power cut: pack or segment (64 KiB, some 1700 frames)")
	f.StringVar(&o.replay, "replay", "", "CSV `FILE` to take readings from, with columns time, waste_in_c, ...")
	f.Uint64Var(&o.seed, "seed", 1, "`NUMBER` that the invented flat's chance comes from")
	f.StringVar(&o.start, "start", "", "RFC 3339 `INSTANT` at which a virtual clock begins (default now, or the replay's first)")
	f.Float64Var(&o.speed, "speed", 1, "`SECONDS` of a virtual clock in a real one; 0 for as fast as it goes")
	f.DurationVar(&o.unsynced, "unsynced", 0, "`TIME` for which the clock is not set after the start")
	f.DurationVar(&o.length, "for", 0, "`TIME` to run by the node's clock; 0 for without end")
	f.DurationVar(&o.drain, "drain", 10*time.Second, "`TIME` for sending what is left at the end")
	f.BoolVar(&o.echo, "echo", false, "write each frame that the buffer has taken as a line of CSV")
	return f
}

// parseOptions reads the command line. All faults are reported at once.
func parseOptions(args []string) (*options, error) {
	o := new(options)
	o.flags = o.flagSet()
	if err := o.flags.Parse(args); errors.Is(err, pflag.ErrHelp) {
		o.help = true
		return o, nil
	} else if err != nil {
		return nil, fmt.Errorf("%w; --help lists the flags", err)
	}
	o.clientID = cmp.Or(o.clientID, o.dwelling+"~"+o.node)
	return o, o.check()
}

// idPattern is what a dwelling or node may be called, so that it can stand in
// topics and SenML names.
var idPattern = regexp.MustCompile(`\A[A-Za-z0-9][-A-Za-z0-9_.:]{0,63}\z`)

func (o *options) check() error {
	var faults []error
	fault := func(is bool, format string, args ...any) {
		if is {
			faults = append(faults, fmt.Errorf(format, args...))
		}
	}
	fault(o.flags.NArg() > 0, "takes no operands, got %q", o.flags.Arg(0))
	fault(!idPattern.MatchString(o.dwelling), "--dwelling %q: want 1 to 64 of A-Z a-z 0-9 - _ . : with a letter or digit first", o.dwelling)
	fault(!idPattern.MatchString(o.node), "--node %q: want 1 to 64 of A-Z a-z 0-9 - _ . : with a letter or digit first", o.node)
	fault(o.prefix == "" || strings.ContainsAny(o.prefix, "+#"), "--prefix %q: want topic levels without wildcards", o.prefix)
	_, err := parseBroker(o.broker)
	fault(err != nil, "--broker: %v", err)
	fault(o.format != string(senml.JSON) && o.format != string(senml.CBOR), "--format %q: want json or cbor", o.format)
	fault(o.fsync != string(buffer.FsyncPack) && o.fsync != string(buffer.FsyncSegment), "--fsync %q: want pack or segment", o.fsync)
	_, err = o.carries()
	fault(err != nil, "--channels: %v", err)
	fault((o.cert == "") != (o.key == ""), "--cert and --key: want both or neither")
	fault(o.every < 100*time.Millisecond || o.every > 10*time.Second, "--every %v: want 0.1 s to 10 s; slower hides the start of a draw", o.every)
	fault(o.rest < o.every, "--rest %v: want --every or longer", o.rest)
	fault(o.hold < 0 || o.length < 0 || o.unsynced < 0 || o.drain < 0, "a time is negative")
	fault(o.sendEvery < o.every, "--send-every %v: want --every or longer", o.sendEvery)
	fault(o.retry <= 0, "--retry %v: want more than nothing", o.retry)
	fault(o.bufferMiB < 1, "--buffer-mib %d: want 1 or more", o.bufferMiB)
	fault(!(o.speed >= 0 && o.speed <= 1e6), "--speed %v: want 0 to 1000000", o.speed)
	fault(o.start != "" && o.replay != "", "--start: a replay begins with its first line")
	if o.start != "" {
		_, err := time.Parse(time.RFC3339Nano, o.start)
		fault(err != nil, "--start %q: want RFC 3339, such as 2026-01-07T08:00:00Z", o.start)
	}
	return errors.Join(faults...)
}

func (o *options) carries() (c [greywatt.NumChannels]bool, err error) {
	for _, name := range o.channels {
		channel, ok := greywatt.ParseChannel(name)
		if !ok {
			return c, fmt.Errorf("no channel %q", name)
		}
		c[channel] = true
	}
	if len(o.channels) == 0 {
		for i := range c {
			c[i] = true
		}
	}
	return c, nil
}

func (o *options) writeHelp(w io.Writer) error {
	_, err := fmt.Fprintf(w, "%s\nFlags:\n%s%s", about, o.flags.FlagUsagesWrapped(78), exitCodes)
	return err
}

// linkConfig reads what the flags name.
func (o *options) linkConfig() (linkConfig, error) {
	cfg := linkConfig{
		clientID: o.clientID, user: o.user, timeout: 15 * time.Second,
		topic: o.prefix + "/" + o.dwelling + "/" + o.node + "/",
	}
	var err error
	if cfg.broker, err = parseBroker(o.broker); err != nil {
		return cfg, fmt.Errorf("--broker: %w", err)
	}
	if cfg.broker.Scheme == "tls" {
		if cfg.tls, err = tlsFiles(o.ca, o.cert, o.key); err != nil {
			return cfg, fmt.Errorf("certificates: %w", err)
		}
	}
	if o.passwordFile != "" {
		text, err := os.ReadFile(o.passwordFile)
		if err != nil {
			return cfg, fmt.Errorf("--password-file: %w", err)
		}
		cfg.password = strings.TrimRight(string(text), "\r\n")
	}
	return cfg, nil
}
