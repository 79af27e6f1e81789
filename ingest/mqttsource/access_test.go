package mqttsource_test

import (
	"crypto/tls"
	"path/filepath"
	"strings"
	"testing"

	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/tlsfiles"
	"greywatt/ingest/tlsfiles/tlstest"
)

// users of a broker: "watcher" with the password "right" may read, "n1" publish.
func users(t *testing.T) *broker.Users {
	t.Helper()
	hash, err := broker.HashPassword("right")
	if err != nil {
		t.Fatal(err)
	}
	u, err := broker.ReadUsers(strings.NewReader("watcher:" + hash + ":watch\nn1:" + hash + ":larch-04/n1\n"))
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestCredentials(t *testing.T) {
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: prefix, Sink: refusing{}, Users: users(t)})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for _, tt := range []struct{ name, user, password, want string }{
		{"anonymous", "", "", "admits no anonymous client"},
		{"wrong password", "watcher", "wrong", `does not admit user "watcher"`},
		{"not allowed to subscribe", "n1", "right", `does not allow "street/pilot/+/+/`},
		{"right", "watcher", "right", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := subscriber(b.URL(), mqttsource.Config{ClientID: tt.name, User: tt.user, Password: tt.password})(t, mqttsource.CommitterConfig{Log: openLog(t, t.TempDir())})
			awaitOutcome(t, l, tt.want)
		})
	}
}

// awaitOutcome waits for the connection, or for an error that says what it should.
func awaitOutcome(t *testing.T, l *logger, want string) {
	t.Helper()
	awaitStatus(t, l, "connected or refused", func(st mqttsource.LinkStatus) bool { return st.Connected || st.LastError != "" })
	st := l.source.Status()
	if st.Connected != (want == "") || !strings.Contains(st.LastError, want) {
		t.Errorf("status %+v, want the error %q", st, want)
	}
	if strings.Contains(st.LastError, "wrong") {
		t.Errorf("the error quotes the password: %s", st.LastError)
	}
	l.stop()
}

func TestTLS(t *testing.T) {
	dir := t.TempDir()
	ca := tlstest.New(t, filepath.Join(dir, "ca.pem"))
	ca.Issue(t, filepath.Join(dir, "broker"))
	ca.Issue(t, filepath.Join(dir, "logger"))
	tlstest.New(t, filepath.Join(dir, "other.pem"))
	server, err := tlsfiles.Load(filepath.Join(dir, "ca.pem"), filepath.Join(dir, "broker.crt"), filepath.Join(dir, "broker.key"))
	if err != nil {
		t.Fatal(err)
	}
	server.ClientCAs, server.ClientAuth = server.RootCAs, tls.RequireAndVerifyClientCert
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: prefix, Sink: refusing{}, TLS: server})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for _, tt := range []struct{ name, ca, cert, want string }{
		{"unknown authority", "other.pem", "logger", "certificate signed by unknown authority"},
		{"no certificate", "ca.pem", "", "certificate required"},
		{"right", "ca.pem", "logger", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var cert, key string
			if tt.cert != "" {
				cert, key = filepath.Join(dir, tt.cert+".crt"), filepath.Join(dir, tt.cert+".key")
			}
			conf, err := tlsfiles.Load(filepath.Join(dir, tt.ca), cert, key)
			if err != nil {
				t.Fatal(err)
			}
			l := subscriber(b.URL(), mqttsource.Config{TLS: conf})(t, mqttsource.CommitterConfig{Log: openLog(t, t.TempDir())})
			awaitOutcome(t, l, tt.want)
		})
	}
}
