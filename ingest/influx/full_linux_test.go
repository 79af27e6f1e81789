package influx_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest/influx"
	"greywatt/ingest/influx/influxdtest"
	"greywatt/ingest/ingesttest"
)

// The server's disk is full: it is given nothing more, also when there is room again,
// and the error says what to do. Once that is done it takes what it refused, and
// nothing that was confirmed is lost, neither then nor when it starts once more.
//
// That the server is started anew, and twice, is not for nothing: with 1.8.10, what it
// confirmed without, or after one start, was gone after its next, 5000 readings of
// 5000.
func TestServerDiskFull(t *testing.T) {
	if testing.Short() {
		t.Skip("left out by -short: runs against an InfluxDB server")
	}
	disk := ingesttest.SmallDisk(t, "24m")
	ballast := filepath.Join(disk, "ballast")
	s := influxdtest.OpenIn(t, disk)
	if err := os.WriteFile(ballast, make([]byte, 20<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	db := openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket})
	var confirmed, refused []greywatt.Reading
	for batch := 0; refused == nil; batch++ {
		if batch == 500 {
			t.Fatal("the disk does not fill")
		}
		var rs []greywatt.Reading
		for k := range 5000 {
			rs = append(rs, reading("larch-04", "n1", greywatt.WasteIn, day+greywatt.Instant(batch*5000+k)*second, float64(batch*5000+k)/7))
		}
		_, err := db.Append(t.Context(), rs)
		var answer *influx.Error
		switch {
		case err == nil:
			confirmed = append(confirmed, rs...)
		case !errors.As(err, &answer) || answer.Class != influx.Setup || !strings.Contains(err.Error(), "no space left") || !strings.Contains(err.Error(), "start the server anew, twice"):
			t.Fatalf("on a full disk: %v; want one of the settings that says what to do", err)
		default:
			refused = rs
		}
	}
	t.Logf("full after %d readings", len(confirmed))
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Append(t.Context(), refused); err == nil {
		t.Error("a server whose log ends in half an entry is given more")
	}
	db = openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket}) // as when greywatt starts
	for range 2 {
		s.Kill()
		s.Start(t)
	}
	if n, err := db.Append(t.Context(), refused); err != nil || n.New+n.Duplicate != len(refused) || n.Conflict+n.Rejected > 0 {
		t.Errorf("with room again: %+v, %v", n, err)
	}
	want := bitsOf(append(confirmed, refused...))
	lost := func(when string) {
		t.Helper()
		got := stored(t, db, "larch-04")
		missing := 0
		for r := range want {
			if !got[r] {
				missing++
			}
		}
		if missing > 0 || len(got) != len(want) {
			t.Errorf("%s %d readings of %d are there, %d are lost", when, len(got), len(want), missing)
		}
	}
	lost("with room again")
	s.Kill()
	s.Start(t)
	lost("after another start")
}
