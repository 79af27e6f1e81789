package store

import (
	"encoding/binary"
	"math"
	"testing"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/ingesttest"
)

// TestErase searches the bytes of everything in the data folder for what was
// erased: the dwelling's id, an instant as rows hold it, and a value that no
// integer stands for.
func TestErase(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	const id, value = "larch-0417", 21.987654321987
	at := t0 + 123_456_789
	instant := binary.BigEndian.AppendUint64(nil, uint64(at))             // https://www.sqlite.org/fileformat2.html, serial type 6
	number := binary.BigEndian.AppendUint64(nil, math.Float64bits(value)) // and type 7

	other := append(readings("elm", newStreet(1, 1.0/16, true).days("n1", 1)), reading("elm", "n1", greywatt.ColdIn, t0, 8))
	m := make(model)
	m.append(other)
	sealed := readings(id, newStreet(2, 1.0/16, true).days("n1", 1))
	rows := []greywatt.Reading{reading(id, "n2", greywatt.WasteIn, at, value), reading(id, "n2", greywatt.WasteIn, at, 22)}
	if err := s.Mirror(t.Context(), "copy"); err != nil {
		t.Fatal(err)
	}
	for _, rs := range [][]greywatt.Reading{sealed, other, rows} {
		if _, err := s.Append(t.Context(), rs); err != nil {
			t.Fatal(err)
		}
	}
	rejectedRecords := []ingest.RejectedRecord{
		{Source: "greywatt/" + id + "/n1/senml", Dwelling: id, Reason: ingest.BadUnit, Detail: "d", Record: "r"},
		{Source: "greywatt/" + id + "/n1/senml", Reason: ingest.BadPayload, Record: "{"},
		{Source: "greywatt/elm/n1/senml", Dwelling: "elm", Reason: ingest.BadPayload, Record: "{"},
	}
	if err := s.AppendRejected(t.Context(), rejectedRecords); err != nil {
		t.Fatal(err)
	}
	if err := s.SetPresences(t.Context(), []ingest.Presence{{Dwelling: id, Node: "n3", Up: true, Since: at}}); err != nil {
		t.Fatal(err)
	}
	if err := s.SetNote(t.Context(), id, "note", []byte("about "+id)); err != nil {
		t.Fatal(err)
	}
	for name, pattern := range map[string][]byte{"id": []byte(id), "instant": instant, "value": number} {
		if !ingesttest.Holds(t, dir, pattern) {
			t.Fatalf("%s is not in the files before it is erased: the test looks for the wrong bytes", name)
		}
	}
	if err := s.Erase(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	for name, pattern := range map[string][]byte{"id": []byte(id), "instant": instant, "value": number} {
		if ingesttest.Holds(t, dir, pattern) {
			t.Errorf("%s is still in the files", name)
		}
	}
	compareAll(t, s, m)
	if got, err := s.Rejected(t.Context(), 10); err != nil || len(got) != 1 || got[0].Dwelling != "elm" {
		t.Errorf("refusals left: %+v, %v", got, err)
	}
	if changes, _, err := s.Changes(t.Context(), "copy", 1_000_000); err != nil || len(changes) == 0 || changes[0].Dwelling != "elm" {
		t.Errorf("%d changes left, %v", len(changes), err)
	}
	if _, err := s.Append(t.Context(), rows); err != nil {
		t.Errorf("append after erasing: %v", err)
	}
}

// TestEraseWaitsForScans: a scan keeps the old pages alive, and Erase says so.
func TestEraseWaitsForScans(t *testing.T) {
	s := openTest(t, t.TempDir())
	s.w.SetBusyTimeout(0)
	for _, id := range []string{"elm", "oak"} {
		if _, err := s.Append(t.Context(), readings(id, newStreet(1, 1.0/16, true).days("n1", 2))); err != nil {
			t.Fatal(err)
		}
	}
	for _, err := range s.Frames(t.Context(), "elm", 0, 0) {
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Erase(t.Context(), "oak"); err == nil {
			t.Error("erase during a scan claims that nothing is left")
		}
		break
	}
	if err := s.Erase(t.Context(), "oak"); err != nil {
		t.Error(err)
	}
	if ids, err := s.Dwellings(t.Context()); err != nil || len(ids) != 1 {
		t.Errorf("dwellings %v, %v", ids, err)
	}
}
