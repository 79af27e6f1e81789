package main

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A linkConfig says how to reach the broker, and as whom.
type linkConfig struct {
	broker   *url.URL // tcp or tls, with a port
	tls      *tls.Config
	clientID string // one a node, the same at every start
	user     string
	password string
	topic    string // "<prefix>/<dwelling>/<node>/"
	timeout  time.Duration
}

// What a presence topic says.
const (
	up   = "up"
	down = "down"
)

// A link is one connection to the broker. The node keeps what is not yet
// acknowledged itself, so the session is clean and each connection has a client
// of its own.
type link struct {
	cfg    linkConfig
	client mqtt.Client
	conn   net.Conn
	lost   chan error
}

// dial connects, with "down" as last will.
func dial(ctx context.Context, cfg linkConfig) (*link, error) {
	l := &link{cfg: cfg, lost: make(chan error, 1)}
	o := mqtt.NewClientOptions()
	o.Servers = []*url.URL{cfg.broker}
	o.SetClientID(cfg.clientID).SetUsername(cfg.user).SetPassword(cfg.password)
	o.SetProtocolVersion(4) // MQTT 3.1.1; else a refusal is asked for twice
	o.SetCleanSession(true)
	o.SetAutoReconnect(false).SetConnectRetry(false)
	o.SetKeepAlive(30 * time.Second).SetPingTimeout(10 * time.Second)
	o.SetConnectTimeout(cfg.timeout).SetWriteTimeout(cfg.timeout)
	o.SetWill(cfg.topic+"presence", down, 1, true)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { l.lost <- fmt.Errorf("link lost: %w", err) })
	dialing, cancel := context.WithTimeout(ctx, cfg.timeout)
	defer cancel()
	stopWatch := func() bool { return true }
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		conn, err := cfg.open(dialing)
		if err != nil {
			return nil, err
		}
		l.conn = conn
		// The library waits for the broker's answer whatever becomes of ctx.
		stopWatch = context.AfterFunc(dialing, func() { conn.Close() })
		return conn, nil
	})
	l.client = mqtt.NewClient(o)
	token := l.client.Connect()
	<-token.Done()
	inTime := stopWatch()
	if err := token.Error(); err != nil || !inTime {
		l.close()
		return nil, cfg.explain(cmp.Or(err, dialing.Err()))
	}
	return l, nil
}

func (cfg *linkConfig) open(ctx context.Context) (net.Conn, error) {
	if cfg.broker.Scheme == "tls" {
		return (&tls.Dialer{Config: cfg.tls}).DialContext(ctx, "tcp", cfg.broker.Host)
	}
	return new(net.Dialer).DialContext(ctx, "tcp", cfg.broker.Host)
}

// explain says what a refusal asks of the person who set the node up.
func (cfg *linkConfig) explain(err error) error {
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return fmt.Errorf("the broker does not admit user %q: check --user and --password-file (%w)", cfg.user, err)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return fmt.Errorf("the broker does not admit client id %q: set another with --client-id (%w)", cfg.clientID, err)
	}
	return err
}

func (l *link) pack(body []byte) mqtt.Token {
	return l.client.Publish(l.cfg.topic+"senml", 1, false, body)
}

func (l *link) presence(state string) mqtt.Token {
	return l.client.Publish(l.cfg.topic+"presence", 1, true, state)
}

// goodbye ends the connection in peace, so that the last will is not sent.
func (l *link) goodbye() error {
	token := l.presence(down)
	if !token.WaitTimeout(l.cfg.timeout) {
		return fmt.Errorf("goodbye: no acknowledgement for %v", l.cfg.timeout)
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("goodbye: %w", err)
	}
	l.client.Disconnect(uint(time.Second.Milliseconds()))
	return nil
}

// close breaks the connection off, unless goodbye has ended it. The broker then
// sends the last will.
func (l *link) close() {
	if l.conn != nil {
		l.conn.Close()
	}
	// Nothing can be written any more, but the library's goroutines end.
	l.client.Disconnect(0)
}

// parseBroker reads a URL such as tcp://HOST:1883 or tls://HOST:8883.
func parseBroker(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	ports := map[string]string{"tcp": "1883", "tls": "8883"}
	if err != nil || ports[u.Scheme] == "" || u.Hostname() == "" || u.User != nil || u.Path != "" {
		return nil, errors.New("want tcp://HOST:PORT or tls://HOST:PORT")
	}
	if u.Port() == "" {
		u.Host += ":" + ports[u.Scheme]
	}
	return u, nil
}

// tlsFiles reads PEM files: the authority that signs the broker's certificate (empty:
// those that the system trusts), and the node's own certificate and key, both or neither.
func tlsFiles(ca, cert, key string) (*tls.Config, error) {
	cfg := &tls.Config{MinVersion: tls.VersionTLS12}
	if ca != "" {
		pem, err := os.ReadFile(ca)
		if err != nil {
			return nil, err
		}
		cfg.RootCAs = x509.NewCertPool()
		if !cfg.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s: no certificate in PEM form", ca)
		}
	}
	if cert != "" {
		pair, err := tls.LoadX509KeyPair(cert, key)
		if err != nil {
			return nil, err
		}
		cfg.Certificates = []tls.Certificate{pair}
	}
	return cfg, nil
}
