package mqttsource_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

// takeUp takes up all of which the logger's own clock was at fault.
func takeUp(ctx context.Context, s *store.Store) error {
	r := mqttsource.Readmitter{Prefix: prefix, Resolver: payload.NewResolver(nil), OwnClock: greywatt.InstantOf(time.Now())}
	_, err := r.Run(ctx, s)
	return err
}

// A committer beside a store, whose messages are committed when flush is called.
type bench struct {
	*mqttsource.Committer
	*store.Store
	t   *testing.T
	dir string
	cfg mqttsource.CommitterConfig
}

func newBench(t *testing.T, cfg mqttsource.CommitterConfig) *bench {
	b := &bench{t: t, dir: t.TempDir(), cfg: cfg}
	b.open()
	return b
}

func (b *bench) open() {
	b.t.Helper()
	s, err := store.Open(b.dir, store.Options{})
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { s.Close() })
	b.cfg.Log, b.cfg.Quarantine, b.cfg.Prefix, b.cfg.OfferWait = s, s, prefix, time.Nanosecond
	b.Store, b.Committer = s, mqttsource.NewCommitter(b.cfg)
}

func (b *bench) offer(dwelling, node, body string) error {
	return b.Offer(prefix+"/"+dwelling+"/"+node+"/senml", []byte(body), func() {})
}

// flush commits all, closes the store and opens it again, as a restart does.
func (b *bench) flush() {
	b.t.Helper()
	ctx, cancel := context.WithCancel(b.t.Context())
	cancel()
	if err := b.Committer.Run(ctx); err != nil {
		b.t.Fatal(err)
	}
	if err := b.Store.Close(); err != nil {
		b.t.Fatal(err)
	}
	b.open()
}

func (b *bench) readmit(r mqttsource.Readmitter) mqttsource.Readmission {
	b.t.Helper()
	r.Prefix = prefix
	sum, err := r.Run(b.t.Context(), b.Store)
	if err != nil {
		b.t.Fatal(err)
	}
	return sum
}

// A logger whose own clock is 30 h slow, with one node, of which it cannot know
// better: all 28 800 readings come back, none twice, once somebody says so.
func TestSlowOwnClockLosesNothing(t *testing.T) {
	right := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	b := newBench(t, mqttsource.CommitterConfig{DrainTime: 2 * time.Minute, Now: func() time.Time { return right.Add(-30 * time.Hour) }})
	want := make(map[greywatt.Reading]bool)
	for pack := range 120 {
		var body strings.Builder
		for i := range 240 {
			at := right.Add(time.Duration(pack*240+i) * time.Second)
			fmt.Fprintf(&body, `,{"n":"flow","u":"l/s","t":%d,"v":0.1}`, at.Unix())
			want[greywatt.Reading{Dwelling: "larch-04", Node: "n1", Channel: greywatt.Flow, At: greywatt.InstantOf(at), Value: 0.1}] = true
		}
		if err := b.offer("larch-04", "n1", "["+body.String()[1:]+"]"); err != nil {
			t.Fatal(err)
		}
	}
	b.flush()
	if got := len(ingesttest.Readings(t, b.Store, "larch-04")); got != 0 {
		t.Errorf("%d readings from the future are stored", got)
	}
	counts, err := b.QuarantineCounts(t.Context())
	if err != nil || len(counts) != 1 || counts[0].Records != 28_800 || counts[0].Messages != 120 || counts[0].Reason != ingest.FutureTime || counts[0].Node != "n1" {
		t.Fatalf("kept: %+v, %v", counts, err)
	}
	if counts[0].Bytes != b.QuarantineBytes() || counts[0].Bytes < 120*240*30 {
		t.Errorf("they take %d bytes, %d as the store says at its start", counts[0].Bytes, b.QuarantineBytes())
	}
	// Nobody says that the clock was wrong: the node's may be.
	if sum := b.readmit(mqttsource.Readmitter{Resolver: payload.NewResolver(nil)}); sum.Kept != 120 || sum.Settled != 0 {
		t.Errorf("%+v", sum)
	}
	later := greywatt.InstantOf(right.Add(48 * time.Hour))
	if sum := b.readmit(mqttsource.Readmitter{Resolver: payload.NewResolver(nil), OwnClock: later}); sum.New != 28_800 || sum.Settled != 120 || sum.Kept != 0 {
		t.Errorf("%+v", sum)
	}
	ingesttest.Compare(t, ingesttest.Readings(t, b.Store, "larch-04"), want)
	if b.QuarantineBytes() != 0 {
		t.Errorf("%d bytes are still kept", b.QuarantineBytes())
	}
}

// What can be stored of a message is stored at once, and the rest of it once the
// study has the dwelling; what still does not fit stays.
func TestReadmitAfterTheStudyIsMended(t *testing.T) {
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "larch-04"}}}
	names := payload.NewResolver(study)
	b := newBench(t, mqttsource.CommitterConfig{Resolver: names})
	pack := func(n int, dwellings ...string) string {
		var body []string
		for _, d := range dwellings {
			body = append(body, fmt.Sprintf(`{"n":"%s/n1/flow","u":"l/s","t":%d,"v":0.1}`, d, 1_770_000_000+n))
		}
		return "[" + strings.Join(body, ",") + "]"
	}
	for i, dwellings := range [][]string{{"larch-04", "elm-01"}, {"elm-01"}, {"elm-01", "yew-02"}, {"yew-02"}} {
		if err := b.offer("larch-04", "gate", pack(i, dwellings...)); err != nil {
			t.Fatal(err)
		}
	}
	urn := `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","t":1770000000,"v":21}]`
	extra := `[{"n":"flow","u":"l/s","t":1770000100,"v":0.1},{"n":"battery","u":"V","t":1770000100,"v":3}]`
	if err := errors.Join(b.offer("elm-01", "n2", urn), b.offer("larch-04", "n3", extra)); err != nil {
		t.Fatal(err)
	}
	b.flush()
	if got := len(ingesttest.Readings(t, b.Store, "larch-04")); got != 2 {
		t.Errorf("%d readings of the known dwelling, want 2", got)
	}
	study.Dwellings = append(study.Dwellings, greywatt.Dwelling{ID: "elm-01", Sensors: []greywatt.Sensor{{Channel: greywatt.WasteIn, Node: "n2", Name: "urn:dev:ow:10e2073a01080063"}}})
	names.Update(study)
	if sum := b.readmit(mqttsource.Readmitter{Resolver: names}); sum.Settled != 3 || sum.Kept != 2 || sum.New != 4 || sum.Duplicate != 1 {
		t.Errorf("%+v", sum)
	}
	if got := len(ingesttest.Readings(t, b.Store, "elm-01")); got != 4 {
		t.Errorf("%d readings of the new dwelling, want 4", got)
	}
	counts, err := b.QuarantineCounts(t.Context())
	if err != nil || len(counts) != 1 || counts[0].Dwelling != "yew-02" || counts[0].Messages != 2 || counts[0].Records != 2 {
		t.Errorf("left: %+v, %v", counts, err)
	}
}

// Wrong units and wrong clocks of nodes are mended by what somebody says of them.
func TestReadmitAfterANodeIsMended(t *testing.T) {
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	b := newBench(t, mqttsource.CommitterConfig{Now: func() time.Time { return now }})
	ahead := now.Add(30 * time.Hour).Unix()
	err := errors.Join(
		b.offer("larch-04", "n1", fmt.Sprintf(`[{"n":"flow","t":%d,"v":0.1}]`, now.Unix())),
		b.offer("larch-04", "n2", fmt.Sprintf(`[{"n":"flow","u":"l/s","t":%d,"v":0.2},{"n":"flow","u":"l/s","t":%d,"v":0.3}]`, ahead, now.Unix())),
		b.offer("larch-04", "n3", fmt.Sprintf(`[{"n":"cold-in","u":"Cel","t":%d,"v":8}]`, time.Date(1980, 1, 6, 1, 0, 0, 0, time.UTC).Unix())))
	if err != nil {
		t.Fatal(err)
	}
	b.flush()
	sum := b.readmit(mqttsource.Readmitter{
		Resolver: payload.NewResolver(nil),
		Units: func(_, node string, c greywatt.Channel) string {
			return map[string]string{"n1": "l/s"}[node]
		},
		Shift: func(_, node string, s float64) float64 {
			switch node {
			case "n2":
				return s - 30*3600
			case "n3":
				return s + float64(now.Unix()) - float64(time.Date(1980, 1, 6, 0, 0, 0, 0, time.UTC).Unix()) - 7200
			}
			return s
		},
	})
	if sum.Settled != 3 || sum.Kept != 0 {
		t.Errorf("%+v", sum)
	}
	at := greywatt.InstantOf(now)
	// n2 stated two values for what is the same instant after the shift: the first to come stays.
	want := map[greywatt.Reading]bool{
		{Dwelling: "larch-04", Node: "n1", Channel: greywatt.Flow, At: at, Value: 0.1}:            true,
		{Dwelling: "larch-04", Node: "n2", Channel: greywatt.Flow, At: at, Value: 0.3}:            true,
		{Dwelling: "larch-04", Node: "n3", Channel: greywatt.ColdIn, At: at.Add(-3600), Value: 8}: true,
	}
	ingesttest.Compare(t, ingesttest.Readings(t, b.Store, "larch-04"), want)
}

// When the quarantine is full nothing that is in it goes: messages that would have
// to be kept are not acknowledged, and all others are taken as before.
func TestQuarantineIsFull(t *testing.T) {
	names := payload.NewResolver(&greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "larch-04"}}})
	body := func(i int) string { return fmt.Sprintf(`[{"n":"flow","u":"l/s","t":%d,"v":0.1}]`, 1_770_000_000+i) }
	b := newBench(t, mqttsource.CommitterConfig{Resolver: names, QuarantineBytes: 2000})
	taken := 0
	for i := range 100 {
		err := b.offer("elm-01", "n1", body(i))
		switch {
		case err == nil:
			taken++
		case !errors.Is(err, mqttsource.ErrQuarantine):
			t.Fatal(err)
		}
		if err := b.offer("larch-04", "n1", body(i)); err != nil {
			t.Fatalf("a good message is held up: %v", err)
		}
		if i == 50 {
			b.flush() // it is as full after a restart
		}
	}
	if err := b.offer("larch-04", "n2", `[{"n":"battery","u":"V","t":1770000000,"v":3}]`); err != nil {
		t.Errorf("a channel that nobody knows holds its node up: %v", err)
	}
	st := b.Committer.Status()
	if st.QuarantineRefused == 0 || st.QuarantineRefused != st.TurnedAway || st.QuarantineFull.IsZero() || st.Held != 50 {
		t.Errorf("%+v", st)
	}
	b.flush()
	counts, err := b.QuarantineCounts(t.Context())
	if err != nil || len(counts) != 1 || counts[0].Messages != int64(taken) || taken < 5 || b.QuarantineBytes() > 2000 {
		t.Errorf("%d acknowledged; kept %+v, %v", taken, counts, err)
	}
	if got := len(ingesttest.Readings(t, b.Store, "larch-04")); got != 100 {
		t.Errorf("%d readings of 100", got)
	}
	if err := b.SettleQuarantined(t.Context(), []int64{1}, nil); err != nil {
		t.Fatal(err)
	}
	if err := b.offer("elm-01", "n1", body(100)); err != nil {
		t.Errorf("with room again: %v", err)
	}
	b.flush()
}

// Erasing reaches what is kept, a backup carries it.
func TestQuarantineIsErasedAndBackedUp(t *testing.T) {
	names := payload.NewResolver(&greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "larch-04"}}})
	b := newBench(t, mqttsource.CommitterConfig{Resolver: names})
	one := func(n string) string { return fmt.Sprintf(`[{"n":"%s","u":"l/s","t":1770000000,"v":0.1}]`, n) }
	cbor := []byte{0x81, 0xa4, 0x00, 0x6e} // the 14 letters of the name stand behind an n
	cbor = append(append(cbor, "elm-01/n1/flow"...), 0x01, 0x63, 'l', '/', 's', 0x06, 0x1a, 0x69, 0x80, 0x2e, 0x80, 0x02, 0x01)
	err := errors.Join(b.offer("elm-01", "n1", one("flow")), b.offer("elm-011", "n1", one("flow")), b.offer("elm-011", "n2", one("elm-01/n1/flow")),
		b.Offer(prefix+"/yew/n1/senml", cbor, func() {}))
	if err != nil {
		t.Fatal(err)
	}
	b.flush()
	copied := filepath.Join(t.TempDir(), "copy")
	if err := b.Backup(t.Context(), copied, store.Keep); err != nil {
		t.Fatal(err)
	}
	again := t.TempDir()
	if err := store.Restore(t.Context(), again, copied); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(again, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if ms, err := s.Quarantined(t.Context(), 0, 10, 1<<20); err != nil || len(ms) != 4 || !bytes.Equal(ms[3].Body, cbor) {
		t.Errorf("the backup has %d messages, %v", len(ms), err)
	}
	if err := b.Erase(t.Context(), "elm-01"); err != nil {
		t.Fatal(err)
	}
	ms, err := b.Quarantined(t.Context(), 0, 10, 1<<20)
	if err != nil || len(ms) != 1 || ms[0].Dwelling != "elm-011" || ms[0].Node != "n1" || b.QuarantineBytes() != ms[0].Size() {
		t.Errorf("after erasing elm-01: %+v, %v; %d bytes", ms, err, b.QuarantineBytes())
	}
}

// A logger whose clock is years behind is killed at random instants, and then
// what takes up its quarantine. Nothing that was acknowledged is lost, and in the
// end all is stored once.
func TestKillQuarantine(t *testing.T) {
	dir, addr := t.TempDir(), ingesttest.FreeAddr(t)
	slow := []string{childDir + "=" + dir, childListen + "=" + addr, childSlow + "=1"}
	for round := range *rounds {
		dwelling := fmt.Sprintf("round-%03d", round)
		f := newFleet(dwelling, 2, 100, 20) // with three nodes it would see that it is wrong
		logger := startChild(t, slow...)
		f.publish(t, "tcp://"+addr, 20)
		pause(rand.N(100 * time.Millisecond))
		logger.kill()
		acked := f.acknowledged()
		taker := startChild(t, childDir+"="+dir, childTakes+"=1")
		pause(rand.N(20 * time.Millisecond))
		taker.kill()

		s, err := store.Open(dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := takeUp(t.Context(), s); err != nil {
			t.Fatal(err)
		}
		s.Close()
		stored := inStore(t, dir, dwelling)
		for r := range acked {
			if !stored[r] {
				t.Fatalf("round %d: acknowledged and lost: %+v (%d acknowledged, %d stored)", round, r, len(acked), len(stored))
			}
		}
		logger = startChild(t, slow...)
		f.wg.Wait()
		logger.kill()
		if s, err = store.Open(dir, store.Options{}); err != nil {
			t.Fatal(err)
		}
		if err := takeUp(t.Context(), s); err != nil {
			t.Fatal(err)
		}
		if n := s.QuarantineBytes(); n != 0 {
			t.Errorf("%d bytes are still kept", n)
		}
		s.Close()
		ingesttest.Compare(t, inStore(t, dir, dwelling), f.all)
		if t.Failed() {
			t.Fatalf("in round %d", round)
		}
	}
}
