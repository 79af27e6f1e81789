package site

import (
	"context"
	"io"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest"
	"greywatt/ingest/influx"
	"greywatt/ingest/store"
)

// StoreFlags name where readings are kept: the data folder, or a server.
type StoreFlags struct {
	DataFlag
	address string
	Influx  InfluxFlags
}

func (f *StoreFlags) AddFlags(flags *pflag.FlagSet) {
	f.DataFlag.AddFlags(flags)
	flags.StringVar(&f.address, "store", "", "in place of a data folder, the InfluxDB bucket at `URL`, as in influx+http://HOST:8086/BUCKET")
	f.Influx.AddFlags(flags)
	cli.ForServers(flags, "store")
}

// OnServer reports whether a server is named.
func (f *StoreFlags) OnServer() bool { return f.address != "" }

// A ReadingStore has readings of dwellings.
type ReadingStore interface {
	FrameSource
	Dwellings(ctx context.Context) ([]string, error)
	io.Closer
}

// Read opens what is named for reading.
func (f *StoreFlags) Read(con *cli.Console) (ReadingStore, error) {
	return f.open(con, f.DataFlag.Read)
}

// Server opens the server that is named.
func (f *StoreFlags) Server(con *cli.Console) (*influx.DB, error) {
	return f.Influx.Open(con, "store", f.address)
}

// A WritableStore takes readings in, and dwellings out.
type WritableStore interface {
	ReadingSink
	Erase(ctx context.Context, dwelling string) error
	io.Closer
}

// A ReadingSink keeps readings and rejected records.
type ReadingSink interface {
	Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error)
	AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error
}

// Write opens what is named for writing.
func (f *StoreFlags) Write(con *cli.Console) (WritableStore, error) {
	return f.open(con, f.DataFlag.Write)
}

// A RecordStore knows what was not used.
type RecordStore interface {
	Nodes(ctx context.Context) ([]ingest.NodeSummary, error)
	RejectedCounts(ctx context.Context) ([]ingest.RejectedCount, error)
	Rejected(ctx context.Context, limit int) ([]ingest.RejectedRecord, error)
	Conflicts(ctx context.Context, limit int) ([]ingest.Conflict, error)
	io.Closer
}

// Records opens what is named for reading.
func (f *StoreFlags) Records(con *cli.Console) (RecordStore, error) {
	return f.open(con, f.DataFlag.Read)
}

// open opens the server that is named, or else the data folder by local.
func (f *StoreFlags) open(con *cli.Console, local func() (*store.Store, error)) (anyStore, error) {
	if f.OnServer() {
		db, err := f.Server(con)
		if err != nil {
			return nil, err
		}
		return db, nil
	}
	st, err := local()
	if err != nil {
		return nil, err
	}
	return st, nil
}

// An anyStore is what data folder and server have in common.
type anyStore interface {
	ReadingStore
	WritableStore
	RecordStore
}

// Name returns what is named, for messages.
func (f *StoreFlags) Name() string {
	if f.OnServer() {
		return f.address
	}
	return f.Dir
}

// Seal packs what has settled, where the store has such a thing.
func Seal(ctx context.Context, st ReadingSink, before time.Time) error {
	local, ok := st.(*store.Store)
	if !ok {
		return nil
	}
	_, err := local.Seal(ctx, greywatt.InstantOf(before))
	return err
}
