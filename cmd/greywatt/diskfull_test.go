//go:build linux

package main

import (
	"bytes"
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/payload"
)

// On a disk that is full the program acknowledges nothing, says so, and goes on
// by itself when there is room; all that a node sent is there in the end.
func TestDiskFull(t *testing.T) {
	disk := ingesttest.SmallDisk(t, "4m")
	data := filepath.Join(disk, "data")
	p := startProgram(t, "run", "--study", filesStudy, "--data", data, "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0")
	url, next := p.hear(t, `msg=listening broker=(\S+)`, 0)
	page, next := p.hear(t, `msg=page url=(\S+)`, next)
	n, err := publish.Connect(url, payload.Topic{Dwelling: "larch-04", Node: "n1"}, payload.DefaultPrefix)
	if err != nil {
		t.Fatal(err)
	}
	defer n.Client.Disconnect(0)
	began := time.Now().Add(-time.Hour)
	sent := 0
	pack := func() (token interface{ WaitTimeout(time.Duration) bool }) {
		n.Readings = n.Readings[:0]
		for range 60 {
			n.Readings = append(n.Readings, greywatt.Reading{
				Dwelling: "larch-04", Node: "n1", Channel: greywatt.ColdIn, At: greywatt.InstantOf(began.Add(time.Duration(sent) * time.Millisecond)), Value: 9,
			})
			sent++
		}
		if err := n.Publish(); err != nil {
			t.Fatal(err)
		}
		return n.UnderWay[len(n.UnderWay)-1]
	}
	if !pack().WaitTimeout(publish.AckTimeout) {
		t.Fatal("no acknowledgement while there is room")
	}

	ballast := filepath.Join(disk, "ballast")
	fill(t, ballast)
	late := pack()
	for range 20 { // what the log of the store still has room for may be acknowledged
		late = pack()
	}
	_, next = p.hear(t, `not stored and not acknowledged.*(full|no space)`, next)
	if late.WaitTimeout(2 * time.Second) {
		t.Error("acknowledged on a full disk")
	}
	if _, metrics := fetch(t, page+"/metrics", ""); metricOf(t, metrics, "greywatt_commit_failing") != 1 {
		t.Error("the metrics do not say that nothing can be stored")
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	p.hear(t, `storing again`, next)
	if !late.WaitTimeout(publish.AckTimeout) {
		t.Error("no acknowledgement once there is room")
	}
	p.stop(t)

	if nodes := stored(t, data); len(nodes) != 1 || nodes[0].Readings != int64(sent) {
		t.Errorf("%+v; want the %d readings that were sent", nodes, sent)
	}
}

// fill writes until there is no room.
func fill(t *testing.T, file string) {
	t.Helper()
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	junk := make([]byte, 4096)
	rand.Read(junk)
	for err == nil {
		_, err = f.Write(bytes.Clone(junk))
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
}
