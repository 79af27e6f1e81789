package tlsfiles_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"greywatt/ingest/tlsfiles"
)

func TestLoadReportsAllFaults(t *testing.T) {
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
		_, err := tlsfiles.Load(tt.ca, tt.cert, tt.key)
		for _, want := range tt.want {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%v, want %q in it", err, want)
			}
		}
	}
}
