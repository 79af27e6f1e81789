package studyfile_test

import (
	"fmt"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest/studyfile"
)

// What FactKeys lists is what ReadJournal takes: a fact of each kind with all the
// keys that it may have is read; without one that it needs, or with one that it may
// not have, it is not.
func TestFactKeys(t *testing.T) {
	study := studyOf(t, journalStudy)
	values := func(kind greywatt.FactKind) map[string]string {
		channel := "waste-in"
		if strings.HasPrefix(string(kind), "meter") {
			channel = "flow"
		}
		return map[string]string{
			"id": `"x"`, "dwelling": `"larch-05"`, "kind": studyfile.Quote(string(kind)), "at": "2026-06-01", "text": `"seen"`, "by": `"kim"`, "via": `"shell"`, "noted": "2026-06-02",
			"sensor": "{ channel = " + studyfile.Quote(channel) + " }", "channel": studyfile.Quote(channel), "node": `"n1"`, "offset_k": "0.1", "u95_k": "0.2",
			"exchanger": "{ rated = [ { flow_l_min = 9, effectiveness = 0.5 } ] }", "place": `"loft"`, "connection": `"C"`, "heater": "{ hot_c = 58 }",
			"until": "2026-06-03", "of": `"first"`,
		}
	}
	read := func(kind greywatt.FactKind, left, more string) error {
		text := "[[fact]]\nid = \"first\"\ndwelling = \"larch-05\"\nkind = \"cleaned\"\nat = 2026-05-01\n[[fact]]\n"
		sensor := false // else channel and node say which it is
		for _, k := range studyfile.FactKeys() {
			must, may := k.For(kind)
			switch {
			case k.Name == "sensor" && may && left != "sensor" && more != "channel":
				sensor = must
				if !must {
					continue
				}
			case (k.Name == "channel" || k.Name == "node") && sensor && k.Name != more:
				continue
			}
			if (may && k.Name != left) || k.Name == more {
				text += fmt.Sprintf("%s = %s\n", k.Name, values(kind)[k.Name])
			}
		}
		_, err := studyfile.ReadJournal([]byte(text), study)
		return err
	}
	for _, kind := range greywatt.FactKinds {
		if err := read(kind, "", ""); err != nil {
			t.Errorf("%s with all its keys: %v", kind, err)
		}
		for _, k := range studyfile.FactKeys() {
			if k.Meaning == "" || values(kind)[k.Name] == "" {
				t.Errorf("%s: no meaning, or no value to try", k.Name)
			}
			must, may := k.For(kind)
			if err := read(kind, k.Name, ""); must != (err != nil) && k.Name != "kind" {
				t.Errorf("%s without %s: %v, needed is %t", kind, k.Name, err, must)
			}
			if may {
				continue
			}
			if err := read(kind, "", k.Name); err == nil {
				t.Errorf("%s with %s is read", kind, k.Name)
			}
		}
	}
}
