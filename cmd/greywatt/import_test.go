package main

import (
	"strings"
	"testing"

	"greywatt"
)

func TestReportRefused(t *testing.T) {
	var out strings.Builder
	reportRefused(&out, []greywatt.Refusal{
		{Source: "a.senml:1", Reason: greywatt.FutureTime, Detail: "waste-in"},
		{Source: "a.senml:1", Reason: greywatt.FutureTime, Detail: "cold-in"},
		{Source: "a.senml:1", Reason: greywatt.FutureTime, Detail: "flow"},
		{Source: "a.senml:1", Reason: greywatt.BadUnit, Detail: "flow"},
		{Source: "a.senml:2", Reason: greywatt.BadUnit, Detail: "flow"},
	})
	want := `a.senml:1: future-time: waste-in (and 2 more records of this line)
a.senml:1: bad-unit: flow
a.senml:2: bad-unit: flow
`
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}
