package influx

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"

	"greywatt/ingest"
)

// A Config says which bucket of which server is meant. See [ParseURL].
type Config struct {
	URL    string // http:// or https://, host and port
	Org    string // the organisation's name; servers before 2.x have none
	Bucket string // on servers before 2.x DATABASE or DATABASE/RETENTION-POLICY
	Token  string // on servers before 2.x USER:PASSWORD

	TLS     *tls.Config   // nil: the system's certificate authorities
	Gzip    bool          // compress what is sent: a fifth of the bytes, for a network that is slower than loopback
	Timeout time.Duration // of one request with its answer; 60 s if 0
	Points  int           // in one request at most; 5000 if 0

	Results []string // measurements of results, which [DB.Erase] removes too
}

// ParseURL reads an address as the command line has it,
// influx+http://HOST[:PORT]/BUCKET[?org=NAME] or influx+https://…, port 8086
// unless it says otherwise. It refuses one with a user or a token in it, which
// others could see.
func ParseURL(s string) (Config, error) {
	const want = "want influx+http://HOST:PORT/BUCKET or influx+https://HOST:PORT/BUCKET?org=NAME"
	u, err := url.Parse(s)
	if err != nil {
		// The error would quote the address, and with it a password.
		return Config{}, fmt.Errorf("InfluxDB address cannot be read as a URL: %s", want)
	}
	scheme, ok := strings.CutPrefix(u.Scheme, "influx+")
	query := u.Query()
	cfg := Config{Org: query.Get("org"), Bucket: strings.Trim(u.Path, "/")}
	query.Del("org")
	shown := *u
	shown.RawQuery, shown.Fragment = "", ""
	switch {
	case u.User != nil:
		return Config{}, fmt.Errorf("InfluxDB address %s: user and password do not belong in it, where others can see them; give the token by file or environment", shown.Redacted())
	case !ok || scheme != "http" && scheme != "https":
		return Config{}, fmt.Errorf("InfluxDB address %s: %s", shown.Redacted(), want)
	case u.Hostname() == "":
		return Config{}, fmt.Errorf("InfluxDB address %s names no host: %s", shown.Redacted(), want)
	case cfg.Bucket == "":
		return Config{}, fmt.Errorf("InfluxDB address %s names no bucket: %s", shown.Redacted(), want)
	case len(query) > 0 || u.Fragment != "":
		return Config{}, fmt.Errorf("InfluxDB address %s has something besides org= after the bucket: %s", shown.Redacted(), want)
	}
	if u.Port() == "" {
		u.Host += ":8086"
	}
	cfg.URL = scheme + "://" + u.Host
	return cfg, nil
}

// String returns the server and bucket, without the token: the name by which a
// mirror is known.
func (c Config) String() string {
	s := "influx+" + c.URL + "/" + c.Bucket
	if c.Org != "" {
		s += "?org=" + url.QueryEscape(c.Org)
	}
	return s
}

// A DB is a bucket of an InfluxDB server, used as a store of readings. Its
// methods may be called from any goroutine and by any number of processes at
// once. Each error is an [*Error] where the server, or its silence, is to blame.
type DB struct {
	cfg    Config
	client influxdb2.Client
	http   *http.Client
	write  api.WriteAPIBlocking
	now    func() time.Time

	appending sync.Mutex // from looking what is there to having written
	presence  map[nodeKey]ingest.Presence

	// torn is the server's answer when its disk was full. Its log then ends in half an
	// entry. It reads nothing behind that when it starts, cuts it off only then, and
	// goes on where the end was (1.8.10, TestServerDiskFull). What it refused it shows
	// nevertheless, from memory. What it has or confirms from then on may be lost, so
	// nothing more is given to it.
	torn atomic.Pointer[Error]
}

// New returns the bucket that cfg names. It does not dial; see [DB.Ping].
func New(cfg Config) (*DB, error) {
	cfg.Timeout = cmp.Or(cfg.Timeout, time.Minute)
	cfg.Points = cmp.Or(cfg.Points, 5000)
	if cfg.Bucket == "" || !strings.HasPrefix(cfg.URL, "http") {
		return nil, errors.New("influx: want the server's URL and a bucket")
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = cfg.TLS
	transport.DisableCompression = !cfg.Gzip
	transport.MaxIdleConnsPerHost = 4
	db := &DB{
		cfg:      cfg,
		http:     &http.Client{Transport: errorTransport{transport}, Timeout: cfg.Timeout},
		now:      time.Now,
		presence: make(map[nodeKey]ingest.Presence),
	}
	options := influxdb2.DefaultOptions().
		SetHTTPClient(db.http).
		SetApplicationName("greywatt").
		SetPrecision(time.Microsecond).
		SetUseGZip(cfg.Gzip)
	db.client = influxdb2.NewClientWithOptions(cfg.URL, cfg.Token, options)
	db.write = db.client.WriteAPIBlocking(cfg.Org, cfg.Bucket)
	return db, nil
}

// Close gives the connections back.
func (db *DB) Close() error {
	db.client.Close()
	db.http.CloseIdleConnections()
	return nil
}

// String returns what [Config.String] does.
func (db *DB) String() string { return db.cfg.String() }

// Ping returns nil where the server is there, has the bucket, and takes the
// token for reading and, as far as it can be told without writing, for writing.
func (db *DB) Ping(ctx context.Context) error {
	// An empty write is checked for all but points by servers before 3.x; later
	// ones may find fault with its emptiness, which says that all else is well.
	err := db.explain(db.write.WriteRecord(ctx, "\n"))
	var answer *Error
	if errors.As(err, &answer) && answer.Status == http.StatusBadRequest {
		err = nil
	}
	if err != nil {
		return err
	}
	return db.query(ctx, db.from(measurementReading, firstInstant, firstInstant+1), func(*record) error { return nil })
}
