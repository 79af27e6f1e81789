package site

import (
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/influx"
	"greywatt/ingest/tlsfiles"
)

const InfluxTokenVariable = "GREYWATT_INFLUX_TOKEN"

// InfluxFlags say how to reach an InfluxDB server.
type InfluxFlags struct{ tokenFile, ca string }

func (f *InfluxFlags) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.tokenFile, "influx-token-file", "", "`FILE` with the InfluxDB token (default from "+InfluxTokenVariable+")")
	flags.StringVar(&f.ca, "influx-ca", "", "PEM `FILE` of the authority that signs the InfluxDB server's certificate (default the system's)")
	cli.ForServers(flags, "influx-token-file", "influx-ca")
}

// Open returns the bucket at an address, for the named flag. It does not dial.
func (f *InfluxFlags) Open(con *cli.Console, flag, address string) (*influx.DB, error) {
	cfg, err := influx.ParseURL(address)
	if err != nil {
		return nil, cli.Usagef("--%s: %w", flag, err)
	}
	cfg.Token = con.Getenv(InfluxTokenVariable)
	if f.tokenFile != "" {
		text, err := os.ReadFile(f.tokenFile)
		if err != nil {
			return nil, fmt.Errorf("--influx-token-file: %w", err)
		}
		cfg.Token = strings.TrimRight(string(text), "\r\n")
	}
	if f.ca != "" {
		if cfg.TLS, err = tlsfiles.Load(f.ca, "", ""); err != nil {
			return nil, fmt.Errorf("--influx-ca: %w", err)
		}
	}
	cfg.Results = []string{MeasurementEvent, MeasurementFinding}
	cfg.Gzip = !isLoopback(cfg.URL)
	return influx.New(cfg)
}

func isLoopback(address string) bool {
	u, err := url.Parse(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
}
