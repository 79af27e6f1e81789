// Package tlsfiles reads certificates and keys for connections to brokers and
// servers.
package tlsfiles

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
)

// Load returns a TLS configuration from PEM files: ca holds the authorities that may
// sign the server's certificate, empty for the system's; cert and key are the client's
// own certificate, both or neither.
func Load(ca, cert, key string) (*tls.Config, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	var errs []error
	if ca != "" {
		pem, err := os.ReadFile(ca)
		t.RootCAs = x509.NewCertPool()
		if err != nil {
			errs = append(errs, fmt.Errorf("certificate authorities: %w", err))
		} else if !t.RootCAs.AppendCertsFromPEM(pem) {
			errs = append(errs, fmt.Errorf("certificate authorities: %s holds no certificate in PEM form", ca))
		}
	}
	switch {
	case (cert == "") != (key == ""):
		errs = append(errs, errors.New("client certificate: a certificate and its key are wanted, both or neither"))
	case cert != "":
		pair, err := tls.LoadX509KeyPair(cert, key)
		if err != nil {
			errs = append(errs, fmt.Errorf("client certificate: %w", err))
		}
		t.Certificates = []tls.Certificate{pair}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return t, nil
}
