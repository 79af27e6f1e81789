package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// What is kept whole is listed with what would mend it; what somebody has mended
// is taken up, the rest stays and is listed again.
func TestReadmit(t *testing.T) {
	dir := t.TempDir()
	data, study := filepath.Join(dir, "data"), filepath.Join(dir, "study.toml")
	dwelling := func(id string) string {
		return fmt.Sprintf("[[dwelling]]\nid = %q\nconnection = \"A\"\n[dwelling.exchanger]\nrated = [ { flow_l_min = 9.0, effectiveness = 0.5 } ]\n", id)
	}
	if err := os.WriteFile(study, []byte(dwelling("larch-04")), 0o600); err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(data, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	kept := func(dwelling string, reason ingest.Reason, record string) ingest.Quarantined {
		return ingest.Quarantined{
			Topic: "greywatt/" + dwelling + "/n1/senml", Body: []byte("[" + record + "]"), At: frozenStart, Dwelling: dwelling, Node: "n1", Reason: reason, Records: 1,
		}
	}
	at := int64(frozenStart) / 1_000_000
	err = st.AppendQuarantined(t.Context(), []ingest.Quarantined{
		kept("elm-01", ingest.UnknownDwelling, fmt.Sprintf(`{"n":"flow","u":"l/s","t":%d,"v":0.1}`, at)),
		kept("larch-04", ingest.FutureTime, fmt.Sprintf(`{"n":"flow","u":"l/s","t":%d,"v":0.125}`, at+108_000)),
		kept("larch-04", ingest.BadUnit, fmt.Sprintf(`{"n":"cold-in","t":%d,"v":8.5}`, at)),
		kept("yew-02", ingest.UnknownDwelling, fmt.Sprintf(`{"n":"flow","u":"l/s","t":%d,"v":0.1}`, at)),
	})
	packs := st.SetNote(t.Context(), "larch-04", mqttsource.PacksNote+"n1", []byte(`{"runs":[{"newest":20,"missing":[[7,9]]}]}`))
	if err := errors.Join(err, packs, st.Close()); err != nil {
		t.Fatal(err)
	}
	list := func(want, but string) {
		t.Helper()
		got := invoke(t, cli.ExitDone, "readmit", "--list", "--data", data)
		for _, w := range strings.Fields(want) {
			if !strings.Contains(got, w) {
				t.Errorf("want %q in\n%s", w, got)
			}
		}
		for _, w := range strings.Fields(but) {
			if strings.Contains(got, w) {
				t.Errorf("there is %q in\n%s", w, got)
			}
		}
	}
	take := func(code int, args ...string) {
		t.Helper()
		invoke(t, code, append([]string{"readmit", "--study", study, "--data", data}, args...)...)
	}
	list("elm-01 larch-04 yew-02 unknown-dwelling future-time bad-unit --own-clock --shift --unit", "")
	if got := invoke(t, cli.ExitDone, "rejected", "--data", data); !strings.Contains(got, "4 messages with 4 records") || !strings.Contains(got, "greywatt readmit --list") || !strings.Contains(got, "larch-04/n1: 3 packs not come, late or lost on the way: 7 to 9\n") {
		t.Errorf("rejected says\n%s", got)
	}
	take(cli.ExitRejected)
	list("elm-01 larch-04 yew-02", "")
	if err := os.WriteFile(study, []byte(dwelling("larch-04")+dwelling("elm-01")), 0o600); err != nil {
		t.Fatal(err)
	}
	take(cli.ExitRejected, "--shift", "larch-04/n1=-108000", "--unit", "larch-04/n1/cold-in=Cel")
	list("yew-02", "elm-01 larch-04 future-time")
	got := invoke(t, cli.ExitDone, "dump", "--data", data)
	if strings.Count(got, "2026-01-12T07:30:00Z") != 2 || !strings.Contains(got, "elm-01") || !strings.Contains(got, "8.5") {
		t.Errorf("stored is\n%s", got)
	}
	if got := invoke(t, cli.ExitDone, "readmit", "--discard", "yew-02/n1", "--data", data); got != "1 message dropped for good\n" {
		t.Errorf("%q", got)
	}
	list("nothing", "yew-02")
	take(cli.ExitDone)
	for _, wrong := range [][]string{{"--unit", "larch-04/n1=Cel"}, {"--unit", "larch-04/n1/flow=Cel"}, {"--shift", "larch-04=3"}, {"--discard", "ash-09"}, {"file"}} {
		take(cli.ExitUsage, wrong...)
	}
}
