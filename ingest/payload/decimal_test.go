package payload_test

import (
	"testing"

	"greywatt/ingest/payload"
)

func TestDecimal(t *testing.T) {
	for text, want := range map[string]float64{"0": 0, "-1.5": -1.5, "+2": 2, ".5": 0.5, "1e3": 1000, "2.5E-1": 0.25} {
		if v, ok := payload.Decimal([]byte(text)); !ok || v != want {
			t.Errorf("%q is %v, %v; want %v", text, v, ok, want)
		}
	}
	for _, text := range []string{"", "1_0", "0x10", "0x1p4", "inf", "NaN", "1e999", "1,5", " 1", "1-", "e", "١"} {
		if v, ok := payload.Decimal([]byte(text)); ok {
			t.Errorf("%q is taken for %v", text, v)
		}
	}
}
