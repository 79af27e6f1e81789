package mqttsource_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
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
	ca := newAuthority(t, filepath.Join(dir, "ca.pem"))
	ca.issue(t, filepath.Join(dir, "broker"))
	ca.issue(t, filepath.Join(dir, "logger"))
	newAuthority(t, filepath.Join(dir, "other.pem"))
	server, err := mqttsource.TLSFiles(filepath.Join(dir, "ca.pem"), filepath.Join(dir, "broker.crt"), filepath.Join(dir, "broker.key"))
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
			conf, err := mqttsource.TLSFiles(filepath.Join(dir, tt.ca), cert, key)
			if err != nil {
				t.Fatal(err)
			}
			l := subscriber(b.URL(), mqttsource.Config{TLS: conf})(t, mqttsource.CommitterConfig{Log: openLog(t, t.TempDir())})
			awaitOutcome(t, l, tt.want)
		})
	}
}

func TestTLSFilesReportsAllFaults(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty.pem")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		ca, cert, key string
		want          []string
	}{
		{filepath.Join(dir, "none"), "c", "", []string{"certificate authorities", "both or neither"}},
		{empty, empty, empty, []string{"no certificate in PEM form", "client certificate"}},
	} {
		_, err := mqttsource.TLSFiles(tt.ca, tt.cert, tt.key)
		for _, want := range tt.want {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%v, want %q in it", err, want)
			}
		}
	}
}

// An authority issues certificates for this test.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T, file string) *authority {
	t.Helper()
	a := &authority{key: newKey(t)}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, a.key.Public(), a.key)
	if err != nil {
		t.Fatal(err)
	}
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	writePEM(t, file, "CERTIFICATE", der)
	return a
}

// issue writes a certificate for 127.0.0.1 and its key, NAME.crt and NAME.key.
func (a *authority) issue(t *testing.T, name string) {
	t.Helper()
	key := newKey(t)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: filepath.Base(name)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, key.Public(), a.key)
	if err != nil {
		t.Fatal(err)
	}
	writePEM(t, name+".crt", "CERTIFICATE", der)
	der, err = x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	writePEM(t, name+".key", "EC PRIVATE KEY", der)
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func writePEM(t *testing.T, file, kind string, der []byte) {
	t.Helper()
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
}
