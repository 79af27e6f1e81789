package influx_test

import (
	"errors"
	"path/filepath"
	"testing"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/influx"
	"greywatt/ingest/influx/influxdtest"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/tlsfiles"
	"greywatt/ingest/tlsfiles/tlstest"
)

// A server that speaks TLS and wants a token, by a certificate that this machine does
// not know: without its authority nothing is sent, with it and a wrong token nothing
// is taken, and with both what is confirmed is there.
func TestServerOverTLS(t *testing.T) {
	dir := t.TempDir()
	ca, name := filepath.Join(dir, "ca.pem"), filepath.Join(dir, "server")
	tlstest.New(t, ca).Issue(t, name)
	s := influxdtest.Secured(t, name)
	known, err := tlsfiles.Load(ca, "", "")
	if err != nil {
		t.Fatal(err)
	}
	rs := []greywatt.Reading{reading("larch-04", "n1", greywatt.Flow, day, 0.1), reading("larch-04", "n1", greywatt.WasteIn, day, 37.25)}
	var answer *influx.Error
	db := openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket, Token: s.Token})
	if n, err := db.Append(t.Context(), rs); !errors.As(err, &answer) || answer.Status != 0 || n != (ingest.Counts{}) {
		t.Errorf("by an authority that is not known: %+v, %v", n, err)
	}
	db = openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket, Token: "admin:wrong", TLS: known})
	if n, err := db.Append(t.Context(), rs); !errors.As(err, &answer) || answer.Class != influx.Setup || answer.Status != 401 || n != (ingest.Counts{}) {
		t.Errorf("with a wrong token: %+v, %v", n, err)
	}
	for _, gzip := range []bool{false, true} {
		db = openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket, Token: s.Token, TLS: known, Gzip: gzip})
		if gzip {
			appendAll(t, db, rs, ingest.Counts{Duplicate: 2})
		} else {
			appendAll(t, db, rs, ingest.Counts{New: 2})
		}
		ingesttest.Compare(t, stored(t, db, "larch-04"), bitsOf(rs))
	}
}
