package payload

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/studyfile"
)

const examples = "../../firmware-notes/examples"

// The packs that firmware-notes shows to the makers of nodes become what its
// expected.csv says.
func TestFirmwareNotesExamples(t *testing.T) {
	readings, reasons := readExpected(t)
	study := readStudy(t)
	packs, err := filepath.Glob(filepath.Join(examples, "*.[jc][sb]o[nr]"))
	if err != nil {
		t.Fatal(err)
	}
	arrival := greywatt.InstantOf(time.Date(2026, 1, 7, 8, 0, 10, 0, time.UTC))
	topic, err := ParseTopic(DefaultPrefix, "greywatt/larch-04/n1/senml")
	if err != nil {
		t.Fatal(err)
	}
	origin := Origin{Source: topic.In(DefaultPrefix), Dwelling: topic.Dwelling, Node: topic.Node, OwnNames: true}
	seen := 0
	for _, path := range packs {
		name := filepath.Base(path)
		t.Run(name, func(t *testing.T) {
			pack, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if pack[len(pack)-1] == '\n' {
				t.Error("ends in a newline, which is not on the wire")
			}
			if len(readings[name]) == 0 {
				t.Error("is not in expected.csv")
			}
			seen++
			got, rejected := NewDecoder(NewResolver(study)).Decode(nil, nil, origin, pack, arrival)
			wantReasons(t, rejected, reasons[name]...)
			wantReadings(t, got, readings[name]...)
		})
	}
	if seen != len(readings) {
		t.Errorf("%d packs, expected.csv has %d", seen, len(readings))
	}
}

// frame.json and frame.cbor are told to be one frame.
func TestFirmwareNotesFrames(t *testing.T) {
	readings, _ := readExpected(t)
	if diff := cmp.Diff(readings["frame.json"], readings["frame.cbor"]); diff != "" || len(readings["frame.json"]) != 6 {
		t.Errorf("(-JSON +CBOR):\n%s", diff)
	}
}

func readStudy(t *testing.T) *greywatt.Study {
	t.Helper()
	f, err := os.Open(filepath.Join(examples, "study.toml"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	study, err := studyfile.Read(f)
	if err != nil {
		t.Fatal(err)
	}
	return study
}

func readExpected(t *testing.T) (readings map[string][]greywatt.Reading, reasons map[string][]ingest.Reason) {
	t.Helper()
	f, err := os.Open(filepath.Join(examples, "expected.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"file", "dwelling", "node", "channel", "time", "value", "refused"}; !slices.Equal(rows[0], want) {
		t.Fatalf("columns %q, want %q", rows[0], want)
	}
	readings, reasons = map[string][]greywatt.Reading{}, map[string][]ingest.Reason{}
	for _, row := range rows[1:] {
		file, reason := row[0], row[6]
		if reason != "" {
			reasons[file] = append(reasons[file], ingest.Reason(reason))
			continue
		}
		c, ok := greywatt.ParseChannel(row[3])
		if !ok {
			t.Fatalf("expected.csv: no channel %q", row[3])
		}
		at, err := time.Parse(time.RFC3339, row[4])
		if err != nil {
			t.Fatal(err)
		}
		v, err := strconv.ParseFloat(row[5], 64)
		if err != nil {
			t.Fatal(err)
		}
		readings[file] = append(readings[file], greywatt.Reading{Dwelling: row[1], Node: row[2], Channel: c, At: greywatt.InstantOf(at), Value: v})
	}
	return readings, reasons
}
