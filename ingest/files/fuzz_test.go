package files

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/internal/fuzzcorpus"
)

// What a file gives does not depend on how it is cut and who decodes it, and
// all of it is sound.
func FuzzRead(f *testing.F) {
	f.Add(packLine+"\nx\n"+packLine, false)
	f.Add(tableTop+"\n"+tableRow+"\n"+tableRow, true)
	f.Add("time,flow_l_min,dwelling,x\r\n\"1767772800\",7.5,oak-1,\n2026-01-07 08:00:00Z,\"1,5\",,\n,,,\n", true)
	f.Add("\xef\xbb\xbf\n\ntime,ambient_c,waste_flow_l_min,node,dwelling\n1e9,21,-9,n1,d\n", true)
	f.Add("time,waste_flow"+strings.Repeat("\xd3", 3000)+"_l_min,flow_l_min,node,dwelling\n1e9,1,1,n1,d\n", true)
	for i, seed := range fuzzcorpus.Read(f) {
		f.Add(seed, i%2 == 0)
	}
	earliest := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, text string, table bool) {
		o := Options{Format: SenML, Workers: 1}
		if table {
			o.Format = CSV
		}
		whole, err := read(t, "f", text, o)
		o.Workers, o.chunk = 2, 1
		cut, errCut := read(t, "f", text, o)
		if (err == nil) != (errCut == nil) || !slices.Equal(whole.readings, cut.readings) || !slices.Equal(whole.rejected, cut.rejected) {
			t.Errorf("whole: %+v %v\ncut:   %+v %v", whole, err, cut, errCut)
		}
		for _, r := range whole.readings {
			if !r.Channel.Plausible(r.Value) || r.At.Time().Before(earliest) || r.At.Sub(now) > 86400 || r.Dwelling == "" || r.Node == "" {
				t.Errorf("unsound reading %+v", r)
			}
		}
		for _, r := range whole.rejected {
			if bytes.ContainsAny([]byte(r), "\n\x1b") {
				t.Errorf("a refusal that spoils the terminal: %q", r)
			}
			if !strings.HasPrefix(r, "f:") || len(r) > 4096 {
				t.Errorf("a refusal without its line, or without bounds: %q", r)
			}
		}
		if len(whole.readings)+len(whole.rejected) > len(text)+1 {
			t.Errorf("%d bytes give %d readings and %d refusals", len(text), len(whole.readings), len(whole.rejected))
		}

		// What is good before and after it counts, whatever it is.
		first, last := packLine, `[{"bn":"larch-04/n1/","bt":1767772790,"bu":"Cel","n":"waste-out","v":24.5}]`
		want := []greywatt.Reading{of(greywatt.WasteIn, 0, 37.5), of(greywatt.WasteOut, -10, 24.5)}
		if table {
			first, last = tableTop+"\n"+tableRow, "2026-01-07T07:59:50Z,larch-04,n1,24.5"
			want[1].Channel = greywatt.WasteIn
		}
		between, err := read(t, "f", first+"\n"+text+"\n"+last+"\n", Options{Format: o.Format, Workers: 1})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range want {
			if !slices.Contains(between.readings, r) {
				t.Errorf("%q makes %+v vanish; refused %q", text, r, between.rejected)
			}
		}
	})
}
