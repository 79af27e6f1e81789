package logger

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"greywatt/ingest/broker"
)

// A node's account that is removed from the file ends its connection while the
// logger runs; a file with a mistake changes nothing; a viewer who is removed has no
// role from then on.
func TestFollowUsers(t *testing.T) {
	var file []byte
	for _, a := range []broker.Account{{Name: "larch", Node: "larch-04/n1"}, {Name: "birch", Node: "birch-11/n1"}, {Name: "vera", Page: broker.Viewer}} {
		hash, err := broker.HashPassword("the password of " + a.Name)
		if err != nil {
			t.Fatal(err)
		}
		if file, err = broker.WithAccount(file, a, hash); err != nil {
			t.Fatal(err)
		}
	}
	name := filepath.Join(t.TempDir(), "users.txt")
	write := func(text []byte) {
		t.Helper()
		if err := os.WriteFile(name, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(file)
	var refused atomic.Int32
	l := New(openStore(t), larch(), "greywatt", slog.New(&counting{Handler: slog.DiscardHandler, errors: &refused}), time.Now, true, nil, Options{})
	f := ListenFlags{addr: "127.0.0.1:0", Users: name}
	cfg, err := f.Config("greywatt")
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Listen(cfg); err != nil {
		t.Fatal(err)
	}
	defer l.Broker.Close()
	page := &ServedPage{users: &signIns{}, usersFile: name}
	page.users.now.Store(cfg.Users)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { l.FollowUsers(ctx, name, page); close(ended) }()
	defer func() { stop(); <-ended }()

	connect := func(user string) (lost chan error) {
		t.Helper()
		lost = make(chan error, 1)
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(l.Broker.URL()).SetClientID(user).SetUsername(user).
			SetPassword("the password of " + user).SetAutoReconnect(false).
			SetConnectionLostHandler(func(_ mqtt.Client, err error) { lost <- err }))
		if token := c.Connect(); token.Wait() && token.Error() != nil {
			t.Fatalf("%s: %v", user, token.Error())
		}
		t.Cleanup(func() { c.Disconnect(0) })
		return lost
	}
	larch, birch := connect("larch"), connect("birch")

	write(append([]byte("no such line\n"), file...))
	await(t, "word of the mistake", func() bool { return refused.Load() > 0 })
	select {
	case err := <-larch:
		t.Fatalf("a mistake in the file ends a connection: %v", err)
	default:
	}
	left, err := broker.WithoutAccount(bytes.Clone(file), "larch")
	if err == nil {
		left, err = broker.WithoutAccount(left, "vera")
	}
	if err != nil {
		t.Fatal(err)
	}
	write(left)
	select {
	case <-larch:
	case <-time.After(20 * time.Second):
		t.Fatal("a removed account is still connected")
	}
	await(t, "the end of a removed viewer's role", func() bool { return page.users.Role("vera") == "" })
	select {
	case err := <-birch:
		t.Fatalf("another account's connection ended: %v", err)
	default:
	}
}

// counting counts the errors that are logged.
type counting struct {
	slog.Handler
	errors *atomic.Int32
}

func (c *counting) Enabled(context.Context, slog.Level) bool { return true }

func (c *counting) Handle(_ context.Context, r slog.Record) error {
	if r.Level == slog.LevelError {
		c.errors.Add(1)
	}
	return nil
}
