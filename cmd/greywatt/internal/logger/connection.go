package logger

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
	"greywatt/ingest/tlsfiles"
)

// ClientID returns the id under which this data folder's logger is known to
// brokers, making one the first time.
func ClientID(ctx context.Context, st *store.Store) (string, error) {
	const note = "mqtt-client-id"
	id, err := st.Note(ctx, "", note)
	if err != nil || id != nil {
		return string(id), err
	}
	fresh := "greywatt-" + strings.ToLower(rand.Text()[:12])
	return fresh, st.SetNote(ctx, "", note, []byte(fresh))
}

const PasswordVariable = "GREYWATT_PASSWORD"

// BrokerFlags say how to reach another broker.
type BrokerFlags struct {
	URL, ClientID, group, user, passwordFile string
	ca, cert, key                            string
	OwnNames                                 bool
}

// AddConnection adds the flags by which a broker is reached; usage says what it
// is for.
func (f *BrokerFlags) AddConnection(flags *pflag.FlagSet, usage string) {
	flags.StringVar(&f.URL, "broker", "", usage)
	f.addCredentials(flags)
}

func (f *BrokerFlags) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.URL, "broker", "", "subscribe to the broker at `URL`, such as tls://broker.example:8883")
	flags.StringVar(&f.ClientID, "client-id", "", "`NAME` that the broker keeps the session under (default kept in the data folder)")
	flags.StringVar(&f.group, "group", "", "share the messages with the other loggers of group `NAME`")
	f.addCredentials(flags)
	flags.BoolVar(&f.OwnNames, "own-names", false, "refuse readings named for another dwelling or node than their topic's")
}

// Shared reports whether the messages are shared with other loggers.
func (f *BrokerFlags) Shared() bool { return f.group != "" }

func (f *BrokerFlags) addCredentials(flags *pflag.FlagSet) {
	flags.StringVar(&f.user, "user", "", "`NAME` to log in with at the broker")
	flags.StringVar(&f.passwordFile, "password-file", "", "`FILE` with the password for the broker")
	flags.StringVar(&f.ca, "ca", "", "PEM `FILE` with the authority that signed the broker's certificate (default the system's)")
	flags.StringVar(&f.cert, "cert", "", "PEM `FILE` of the logger's own certificate")
	flags.StringVar(&f.key, "key", "", "PEM `FILE` of its key")
}

func (f *BrokerFlags) Config(con *cli.Console, prefix string) (mqttsource.Config, error) {
	cfg := mqttsource.Config{Broker: f.URL, ClientID: f.ClientID, Group: f.group, Prefix: prefix, User: f.user}
	cfg.Password = con.Getenv(PasswordVariable)
	if f.passwordFile != "" {
		text, err := os.ReadFile(f.passwordFile)
		if err != nil {
			return cfg, fmt.Errorf("--password-file: %w", err)
		}
		cfg.Password = strings.TrimRight(string(text), "\r\n")
	}
	if f.ca != "" || f.cert != "" || f.key != "" {
		files, err := tlsfiles.Load(f.ca, f.cert, f.key)
		if err != nil {
			return cfg, err
		}
		cfg.TLS = files
	}
	return cfg, nil
}

// ListenFlags say how the logger's own broker listens.
type ListenFlags struct{ addr, Users, cert, key string }

func (f *ListenFlags) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.addr, "listen", broker.DefaultAddr, "without --broker, be one at `HOST:PORT`")
	flags.StringVar(&f.Users, "users", "", "`FILE` of who may connect to it, lines of NAME:HASH:DWELLING/NODE or NAME:HASH:watch, as the command users writes them")
	flags.StringVar(&f.cert, "listen-cert", "", "PEM `FILE` of its certificate, for TLS")
	flags.StringVar(&f.key, "listen-key", "", "PEM `FILE` of that certificate's key")
}

func (f *ListenFlags) Config(prefix string) (broker.Config, error) {
	cfg := broker.Config{Addr: f.addr, Prefix: prefix}
	if f.Users != "" {
		file, err := os.Open(f.Users)
		if err != nil {
			return cfg, fmt.Errorf("--users: %w", err)
		}
		defer file.Close()
		if cfg.Users, err = broker.ReadUsers(file); err != nil {
			return cfg, fmt.Errorf("%s: %w", f.Users, err)
		}
	}
	if f.cert != "" || f.key != "" {
		pair, err := tls.LoadX509KeyPair(f.cert, f.key)
		if err != nil {
			return cfg, fmt.Errorf("--listen-cert, --listen-key: %w", err)
		}
		cfg.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	}
	return cfg, nil
}
