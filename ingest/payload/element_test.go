package payload

import (
	"testing"

	"greywatt"
	"greywatt/ingest"
)

// An element of the pack that is no record, and that cannot even be read, costs
// itself: what stands before and after it counts.
func TestBrokenElements(t *testing.T) {
	for _, element := range []string{"\"\x91\"", `NaN`, `-Infinity`, `1.2.3`, `[NaN]`, `[1,,2]`, `["a" "b"]`, "[\"\xff\"]", `"\x"`, `[{"n":}]`, `nul`} {
		readings, rejected := decode(t, onTopic, `[{"n":"waste-in","u":"Cel","v":37.5}, `+element+` , {"n":"cold-in","u":"Cel","v":8}]`)
		wantReadings(t, readings, reading(greywatt.WasteIn, 0, 37.5), reading(greywatt.ColdIn, 0, 8))
		wantReasons(t, rejected, ingest.BadPayload)
		if t.Failed() {
			t.Fatalf("with %q", element)
		}
	}
	// Where its end cannot be told, the pack breaks off.
	for _, rest := range []string{`"abc`, `[1,2`, `{"n":1`, `1 2, {"n":"cold-in","u":"Cel","v":8}]`} {
		readings, rejected := decode(t, onTopic, `[{"n":"waste-in","u":"Cel","v":37.5}, `+rest)
		if len(readings) != 1 || !brokeOff(rejected) {
			t.Errorf("%q: %+v, %+v; want what precedes, and that the rest breaks off", rest, readings, rejected)
		}
	}
}
