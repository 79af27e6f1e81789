package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/share"
	"greywatt/ingest/influx"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

const influxTokenVariable = "GREYWATT_INFLUX_TOKEN"

// influxFlags say how to reach an InfluxDB server.
type influxFlags struct{ tokenFile, ca string }

func (f *influxFlags) addFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.tokenFile, "influx-token-file", "", "`FILE` with the InfluxDB token (default from "+influxTokenVariable+")")
	flags.StringVar(&f.ca, "influx-ca", "", "PEM `FILE` of who may vouch for the InfluxDB server (default the system's)")
}

// open returns the bucket at an address, for the named flag. It does not dial.
func (f *influxFlags) open(con *console, flag, address string) (*influx.DB, error) {
	cfg, err := influx.ParseURL(address)
	if err != nil {
		return nil, usageError{fmt.Errorf("--%s: %w", flag, err)}
	}
	cfg.Token = con.getenv(influxTokenVariable)
	if f.tokenFile != "" {
		text, err := os.ReadFile(f.tokenFile)
		if err != nil {
			return nil, fmt.Errorf("--influx-token-file: %w", err)
		}
		cfg.Token = strings.TrimRight(string(text), "\r\n")
	}
	if f.ca != "" {
		if cfg.TLS, err = mqttsource.TLSFiles(f.ca, "", ""); err != nil {
			return nil, fmt.Errorf("--influx-ca: %w", err)
		}
	}
	cfg.Gzip = !isLoopback(cfg.URL)
	return influx.New(cfg)
}

func isLoopback(address string) bool {
	u, err := url.Parse(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
}

// storeFlags name where readings are kept: the data folder, or a server.
type storeFlags struct {
	dataFlag
	address string
	influx  influxFlags
}

func (f *storeFlags) addFlags(flags *pflag.FlagSet) {
	f.dataFlag.addFlags(flags)
	flags.StringVar(&f.address, "store", "", "in place of a data folder, the InfluxDB bucket at `URL`, as in influx+http://HOST:8086/BUCKET")
	f.influx.addFlags(flags)
}

// onServer reports whether a server is named.
func (f *storeFlags) onServer() bool { return f.address != "" }

// A readingStore has readings of dwellings.
type readingStore interface {
	frameSource
	Dwellings(ctx context.Context) ([]string, error)
	io.Closer
}

// read opens what is named for reading.
func (f *storeFlags) read(con *console) (readingStore, error) {
	if f.onServer() {
		return f.server(con)
	}
	st, err := f.dataFlag.read()
	if err != nil {
		return nil, err
	}
	return st, nil
}

// server opens the server that is named.
func (f *storeFlags) server(con *console) (*influx.DB, error) {
	return f.influx.open(con, "store", f.address)
}

// A writableStore takes readings in, and dwellings out.
type writableStore interface {
	readingSink
	Erase(ctx context.Context, dwelling string) error
	io.Closer
}

// A readingSink keeps readings and records set aside.
type readingSink interface {
	Append(ctx context.Context, rs []greywatt.Reading) (store.Counts, error)
	SetAside(ctx context.Context, rs []greywatt.Refusal) error
}

// write opens what is named for writing.
func (f *storeFlags) write(con *console) (writableStore, error) {
	if f.onServer() {
		db, err := f.server(con)
		if err != nil {
			return nil, err
		}
		return &serverStore{DB: db}, nil
	}
	st, err := f.dataFlag.write()
	if err != nil {
		return nil, err
	}
	return st, nil
}

// A recordStore knows what was not used.
type recordStore interface {
	Nodes(ctx context.Context) ([]store.NodeSummary, error)
	RefusalCounts(ctx context.Context) ([]store.RefusalCount, error)
	Refusals(ctx context.Context, limit int) ([]greywatt.Refusal, error)
	Conflicts(ctx context.Context, limit int) ([]store.Conflict, error)
	io.Closer
}

// records opens what is named for reading.
func (f *storeFlags) records(con *console) (recordStore, error) {
	if f.onServer() {
		db, err := f.server(con)
		if err != nil {
			return nil, err
		}
		return &serverStore{DB: db}, nil
	}
	st, err := f.dataFlag.read()
	if err != nil {
		return nil, err
	}
	return st, nil
}

// name returns what is named, for messages.
func (f *storeFlags) name() string {
	if f.onServer() {
		return f.address
	}
	return f.dir
}

// seal packs what has settled, where the store has such a thing.
func seal(ctx context.Context, st readingSink, before time.Time) error {
	local, ok := st.(*store.Store)
	if !ok {
		return nil
	}
	_, err := local.Seal(ctx, greywatt.InstantOf(before))
	return err
}

// workerFlag says which share of the dwellings is this process's.
type workerFlag struct{ text string }

func (f *workerFlag) addFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.text, "worker", "", "only the share of worker `I/N`, such as 2/3; every dwelling is one worker's")
}

// choose returns the dwellings that are this process's.
func (f *workerFlag) choose(ds []*greywatt.Dwelling) ([]*greywatt.Dwelling, error) {
	if f.text == "" {
		return ds, nil
	}
	s, err := share.Parse(f.text)
	if err != nil {
		return nil, usageError{fmt.Errorf("--worker: %w", err)}
	}
	var mine []*greywatt.Dwelling
	for _, d := range ds {
		if s.Has(d.ID) {
			mine = append(mine, d)
		}
	}
	return mine, nil
}

// The measurements of results; their columns are those of the dataset.
const (
	measurementEvent   = "event"
	measurementFinding = "finding"
)

// writeResults puts a dwelling's events and findings in the place of those that
// an earlier analysis left on the server. Findings stand at the newest reading.
func writeResults(ctx context.Context, db *influx.DB, r *result) error {
	tag := influx.Tag{Key: "dwelling", Value: r.dwelling.ID}
	var events, findings []influx.Point
	for e := range r.all() {
		events = append(events, influx.Point{
			Measurement: measurementEvent, Tags: []influx.Tag{tag}, At: e.Start,
			Fields: fields(dataset.EventValues(e), "dwelling"),
		})
	}
	for _, f := range r.diagnosis.Findings {
		if r.coverage.Readings == 0 {
			continue // undecided, at no time at all
		}
		findings = append(findings, influx.Point{
			Measurement: measurementFinding, At: r.coverage.Span.To,
			Tags:   []influx.Tag{tag, {Key: "finding", Value: string(f.Code)}},
			Fields: fields(dataset.FindingValues(f), "dwelling", "finding"),
		})
	}
	if err := db.Replace(ctx, measurementEvent, r.dwelling.ID, events); err != nil {
		return err
	}
	return db.Replace(ctx, measurementFinding, r.dwelling.ID, findings)
}

// fields makes fields of a row's values, but for those that are tags.
func fields(values iter.Seq2[string, any], tags ...string) []influx.Field {
	var fs []influx.Field
	for name, v := range values {
		tagged := false
		for _, t := range tags {
			tagged = tagged || t == name
		}
		if !tagged {
			fs = append(fs, influx.Field{Key: name, Value: v})
		}
	}
	return fs
}

// A mirrorQueue lets a mirror take from the store what waits for it.
type mirrorQueue struct {
	*store.Store
	name string
}

func (q mirrorQueue) Changes(ctx context.Context, max int) ([]influx.Change, int64, error) {
	cs, next, err := q.Store.Changes(ctx, q.name, max)
	if damage := (*store.CorruptError)(nil); errors.As(err, &damage) {
		// What cannot be read cannot be mirrored: go past it, and say so.
		refusal := greywatt.Refusal{
			Source: q.name, Dwelling: damage.Dwelling, Reason: greywatt.ServerRefused,
			Detail: "not mirrored, as what waited for the mirror is damaged", Record: damage.Error(),
		}
		if err := q.Store.SetAside(ctx, []greywatt.Refusal{refusal}); err != nil {
			return nil, 0, err
		}
		if err := q.Store.Confirm(ctx, q.name, next); err != nil {
			return nil, 0, err
		}
		return q.Changes(ctx, max)
	}
	if err != nil {
		return nil, 0, err
	}
	changes := make([]influx.Change, len(cs))
	for i, c := range cs {
		changes[i] = influx.Change(c)
	}
	return changes, next, nil
}

func (q mirrorQueue) Confirm(ctx context.Context, next int64) error {
	return q.Store.Confirm(ctx, q.name, next)
}
