package main

import (
	"bufio"
	"bytes"
	"context"
	"math"
	"testing"

	"greywatt"
	"greywatt/firmware-notes/node/internal/senml"
	"greywatt/ingest"
	"greywatt/ingest/files"
	"greywatt/ingest/payload"
)

// What --echo writes and what goes over MQTT are the same readings; flows, which
// pass l/min on the way, where most have no exact number, but for their last
// digit. So a file taken in beside the packs conflicts in some of its flows.
func TestEchoIsWhatIsSent(t *testing.T) {
	var table bytes.Buffer
	w := bufio.NewWriter(&table)
	w.WriteString(echoHeader() + "\n")
	var frames []senml.Frame
	for i := range int64(4000) {
		f := senml.Frame{AtMS: arrival.UnixMilli() - 86400e3 + 1000*i}
		for c := range f.Value {
			f.Value[c] = senml.Micro(5 + 61*i + int64(c))
		}
		frames = append(frames, f)
		if err := echo(w, &f); err != nil {
			t.Fatal(err)
		}
	}
	now := greywatt.InstantOf(arrival)
	type instant struct {
		c  greywatt.Channel
		at greywatt.Instant
	}
	stored := map[instant]float64{}
	origin := payload.Origin{Source: "greywatt/larch-04/n1/senml", Dwelling: "larch-04", Node: "n1"}
	sent, rejected := payload.NewDecoder(nil).Decode(nil, nil, origin, senml.JSON.Append(nil, "larch-04/n1/", frames), now)
	if len(sent) != len(frames)*int(greywatt.NumChannels) || len(rejected) > 0 {
		t.Fatalf("%d readings of %d frames, refused %v", len(sent), len(frames), rejected)
	}
	for _, r := range sent {
		stored[instant{r.Channel, r.At}] = r.Value
	}
	same, conflicts := 0, 0
	o := files.Options{Format: files.CSV, Dwelling: "larch-04", Node: "n1", Now: now}
	err := files.ReadFrom(t.Context(), "echo", &table, o, func(_ context.Context, rs []greywatt.Reading, rejected []ingest.RejectedRecord) error {
		for _, r := range rs {
			switch sent := stored[instant{r.Channel, r.At}]; {
			case r.Value == sent:
				same++
			case r.Channel.IsFlow() && math.Abs(r.Value/sent-1) < 1e-15:
				conflicts++
			default:
				t.Errorf("%+v, and %v was sent", r, sent)
			}
		}
		if len(rejected) > 0 {
			t.Errorf("refused: %v", rejected)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d of %d flows differ in their last digit", conflicts, 2*len(frames))
	if same+conflicts != len(sent) {
		t.Errorf("%d readings of %d", same+conflicts, len(sent))
	}
}
