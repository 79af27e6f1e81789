package logger

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/spf13/pflag"
	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

func openStore(t *testing.T) *store.Store {
	t.Helper()
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	return st
}

func larch() *greywatt.Study {
	return &greywatt.Study{Timezone: time.UTC, Dwellings: []greywatt.Dwelling{{ID: "larch-04", Connection: greywatt.ConnectionA}}}
}

// offer gives the logger a pack of one waste-in reading of a moment and reports
// on the channel once it is safe.
func offer(t *testing.T, l *Logger, at time.Time) <-chan struct{} {
	t.Helper()
	safe := make(chan struct{})
	pack := fmt.Sprintf(`[{"bn":"larch-04/n1/","bt":%d,"n":"waste-in","u":"Cel","v":30}]`, at.Unix())
	if err := l.Committer.Offer("greywatt/larch-04/n1/senml", []byte(pack), func() { close(safe) }); err != nil {
		t.Fatal(err)
	}
	return safe
}

// What is committed is shown with the time that the commit took; the log of the
// store has it then. What is offered before the end is on disk after it.
func TestCommittedIsShownAndKept(t *testing.T) {
	st := openStore(t)
	now := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	l := New(st, larch(), "greywatt", slog.New(slog.DiscardHandler), func() time.Time { return now }, false, nil, Options{})
	shown := 0
	l.shown.committed = func(rs []greywatt.Reading, took time.Duration) {
		if took < 0 {
			t.Errorf("a commit took %v", took)
		}
		nodes, err := st.Nodes(t.Context())
		if shown += len(rs); err != nil || len(nodes) != 1 || nodes[0].Readings != int64(shown) {
			t.Errorf("%d readings shown, the store has %+v, %v", shown, nodes, err)
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	<-offer(t, l, now.Add(-2*time.Second))
	last := offer(t, l, now.Add(-time.Second))
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	<-last
	if shown != 2 {
		t.Errorf("%d readings shown, want 2", shown)
	}
}

// A log that fails shows nothing.
func TestFailedCommitIsNotShown(t *testing.T) {
	st := openStore(t)
	s := &storeLog{Store: st, committed: func([]greywatt.Reading, time.Duration) { t.Error("what failed was shown") }}
	st.Close()
	if _, err := s.Append(t.Context(), []greywatt.Reading{{Dwelling: "larch-04", Node: "n1", Channel: greywatt.WasteIn, At: 1, Value: 30}}); err == nil {
		t.Error("a closed store took a reading")
	}
}

// What is known of a node's clock outlasts the logger: the next one begins with
// it, and other commands read it from the store.
func TestClocksOutlastTheLogger(t *testing.T) {
	st := openStore(t)
	now := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	once := func(packs int) []mqttsource.Clock {
		l := New(st, larch(), "greywatt", slog.New(slog.DiscardHandler), func() time.Time { return now }, false, nil, Options{})
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- l.Run(ctx) }()
		for i := range packs {
			<-offer(t, l, now.Add(-600*time.Second+time.Duration(i)*time.Second))
		}
		if packs == 0 {
			await(t, "the restored clocks", func() bool { return len(l.Committer.Clocks()) > 0 })
		}
		stop()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		clocks, err := ReadClocks(t.Context(), st)
		if err != nil {
			t.Fatal(err)
		}
		return clocks
	}
	first := once(3)
	if len(first) != 1 || first[0].Dwelling != "larch-04" || first[0].Node != "n1" || len(first[0].Hours) != 1 || first[0].Hours[0].Packs != 3 {
		t.Fatalf("%+v, want three packs of one node in one hour", first)
	}
	if b := first[0].Hours[0].BehindS; b < 590 || b > 600 {
		t.Errorf("behind by %g s, want the 598 s of the promptest pack", b)
	}
	if again := once(0); fmt.Sprint(again) != fmt.Sprint(first) {
		t.Errorf("after a restart %+v, want %+v", again, first)
	}
	if err := st.SetNote(t.Context(), "larch-04", ClocksNote, []byte("{")); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadClocks(t.Context(), st); err == nil || !strings.Contains(err.Error(), "larch-04") {
		t.Errorf("a damaged note gives %v, want an error that names the dwelling", err)
	}
}

// clockOff is a clock that was behind by s seconds, four hours long; 0: right.
func clockOff(node string, s float64) mqttsource.Clock {
	c := mqttsource.Clock{Dwelling: "larch-04", Node: node}
	for h := range int64(4) {
		c.Hours = append(c.Hours, mqttsource.ClockHour{Hour: 490_000 + h, Packs: 60, BehindS: s + 0.5})
	}
	return c
}

// The fault is this machine's where every node, three at least, is off by the
// same time.
func TestSameOffset(t *testing.T) {
	for _, tt := range []struct {
		name  string
		off   []float64
		wrong int
		own   bool
	}{
		{"all right", []float64{0, 0, 0}, 0, false},
		{"one wrong", []float64{0, 0, 3600}, 1, false},
		{"all by an hour", []float64{3600, 3590, 3630}, 3, true},
		{"two by an hour are too few", []float64{3600, 3600}, 2, false},
		{"all but one", []float64{3600, 3600, 3600, 0}, 3, false},
		{"each by another time", []float64{3600, 7200, 300}, 3, false},
	} {
		var clocks []mqttsource.Clock
		for i, s := range tt.off {
			clocks = append(clocks, clockOff(fmt.Sprint("n", i), s))
		}
		shown := ShownClocks(clocks)
		if len(shown.Wrong) != tt.wrong || shown.Own != tt.own {
			t.Errorf("%s: %d wrong, own %t; want %d, %t: %+v", tt.name, len(shown.Wrong), shown.Own, tt.wrong, tt.own, shown.Wrong)
		}
		for _, w := range shown.Wrong {
			if w.Dwelling != "larch-04" || !strings.HasPrefix(w.What, "is ") {
				t.Errorf("%s: %+v", tt.name, w)
			}
		}
	}
}

// The client id is made once and is the data folder's from then on.
func TestClientIDStays(t *testing.T) {
	st, other := openStore(t), openStore(t)
	first, err := ClientID(t.Context(), st)
	if err != nil || !strings.HasPrefix(first, "greywatt-") {
		t.Fatal(first, err)
	}
	if again, err := ClientID(t.Context(), st); err != nil || again != first {
		t.Errorf("then %q, %v; want %q", again, err, first)
	}
	if second, err := ClientID(t.Context(), other); err != nil || second == first {
		t.Errorf("another folder has %q too, %v", second, err)
	}
}

func console(env map[string]string) *cli.Console {
	return &cli.Console{In: strings.NewReader(""), Out: new(bytes.Buffer), Err: new(bytes.Buffer), Getenv: func(name string) string { return env[name] }, Name: "greywatt"}
}

func parse(t *testing.T, add func(*pflag.FlagSet), args ...string) {
	t.Helper()
	flags := pflag.NewFlagSet("run", pflag.ContinueOnError)
	add(flags)
	if err := flags.Parse(args); err != nil {
		t.Fatal(err)
	}
}

// The broker's password comes from the file where one is named, else from the
// environment; a file that is missing is an error that names the flag.
func TestBrokerPassword(t *testing.T) {
	file := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(file, []byte("from the file\r\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	env := map[string]string{PasswordVariable: "from the environment"}
	for _, tt := range []struct {
		args []string
		want string
		err  string
	}{
		{nil, "from the environment", ""},
		{[]string{"--password-file", file}, "from the file", ""},
		{[]string{"--password-file", file + ".missing"}, "", "--password-file"},
		{[]string{"--ca", file}, "", file},
		{[]string{"--cert", file}, "", "key"},
	} {
		var f BrokerFlags
		parse(t, f.AddFlags, append([]string{"--broker", "tcp://localhost:1883", "--user", "watcher"}, tt.args...)...)
		cfg, err := f.Config(console(env), "greywatt")
		switch {
		case tt.err != "" && (err == nil || !strings.Contains(err.Error(), tt.err)):
			t.Errorf("%v: %v, want an error that names %q", tt.args, err, tt.err)
		case tt.err == "" && (err != nil || cfg.Password != tt.want || cfg.User != "watcher" || cfg.Prefix != "greywatt"):
			t.Errorf("%v: %+v, %v; want the password %q", tt.args, cfg, err, tt.want)
		}
	}
}

// Users and certificates that cannot be read keep the broker from listening.
func TestListenFlagsErrors(t *testing.T) {
	bad := filepath.Join(t.TempDir(), "users")
	if err := os.WriteFile(bad, []byte("no line of users\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ flag, value, want string }{
		{"--users", bad + ".missing", "--users"},
		{"--users", bad, bad},
		{"--listen-cert", bad, "--listen-cert"},
	} {
		var f ListenFlags
		parse(t, f.AddFlags, tt.flag, tt.value)
		if _, err := f.Config("greywatt"); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s %s: %v, want an error that names %q", tt.flag, tt.value, err, tt.want)
		}
	}
}

// An address that another program has is reported before any work is done, and
// the message says what to write instead; a free one is left free.
func TestPageAddressIsTried(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f := PageFlags{Addr: taken.Addr().String()}
	if err := f.CheckFree(console(nil)); err == nil || !strings.Contains(err.Error(), "--http HOST:PORT") {
		t.Errorf("a taken address: %v", err)
	}
	taken.Close()
	for range 2 {
		if err := f.CheckFree(console(nil)); err != nil {
			t.Errorf("a free address: %v", err)
		}
	}
}

// The status line counts what was committed, and names clients of the own broker.
func TestStatusLine(t *testing.T) {
	var log bytes.Buffer
	now := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	l := New(openStore(t), larch(), "greywatt", slog.New(slog.NewTextHandler(&log, nil)), func() time.Time { return now }, false, nil, Options{})
	f := ListenFlags{addr: "127.0.0.1:0"}
	cfg, err := f.Config("greywatt")
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Listen(cfg); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(l.Broker.URL()).SetClientID("n1"))
	if token := c.Connect(); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	<-offer(t, l, now.Add(-time.Second))
	<-offer(t, l, now.Add(-time.Second))
	l.logStatus()
	c.Disconnect(0)
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"readings=1 ", "duplicates=1 ", "conflicts=0 ", "rejected=0 ", "clients=1"} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the status line lacks %q:\n%s", want, log.String())
		}
	}
}

// Where what waits for the mirror is damaged, the mirror goes on behind it, and
// the loss is kept as a rejected record.
func TestMirrorQueuePassesDamage(t *testing.T) {
	st := openStore(t)
	const name = "influx+http://127.0.0.1:1/study"
	if err := st.Mirror(t.Context(), name); err != nil {
		t.Fatal(err)
	}
	for i := range greywatt.Instant(3) {
		if _, err := st.Append(t.Context(), []greywatt.Reading{{Dwelling: "larch-04", Node: "n1", Channel: greywatt.WasteIn, At: 1e15 + i*1e6, Value: 30}}); err != nil {
			t.Fatal(err)
		}
	}
	damage(t, st, "UPDATE change SET data = x'00' WHERE seq = (SELECT min(seq) FROM change)")
	q := mirrorQueue{st, name}
	got := 0
	for {
		cs, next, err := q.Changes(t.Context(), 1)
		if err != nil {
			t.Fatal(err)
		}
		if len(cs) == 0 {
			break
		}
		for _, c := range cs {
			got += len(c.Frames)
		}
		if err := q.Confirm(t.Context(), next); err != nil {
			t.Fatal(err)
		}
	}
	if got != 2 {
		t.Errorf("%d frames, want the two that are not damaged", got)
	}
	rs, err := st.Rejected(t.Context(), 10)
	if err != nil || len(rs) != 1 || rs[0].Reason != ingest.ServerRefused || rs[0].Dwelling != "larch-04" {
		t.Errorf("%+v, %v; want one rejected record of larch-04", rs, err)
	}
}

// damage changes the store's file behind its back.
func damage(t *testing.T, st *store.Store, statement string) {
	t.Helper()
	if alter(t, st, statement) == 0 {
		t.Fatal("nothing was damaged")
	}
}

// alter has SQLite execute a statement there and returns how many rows it changed.
func alter(t *testing.T, st *store.Store, statement string) int {
	t.Helper()
	c, err := sqlite.OpenConn(st.Path(), sqlite.OpenReadWrite)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := sqlitex.Execute(c, statement, nil); err != nil {
		t.Fatal(err)
	}
	return c.Changes()
}
