package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
)

func TestPseudonymKeyWantsTheData(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	dir, _ := simulated(t)
	data := filepath.Join(dir, "data")
	st, err := (&site.DataFlag{Dir: data}).Read()
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	var f site.KeyFlag
	if _, err := f.Read(ctx, &cli.Console{Err: &bytes.Buffer{}}, data, st, []string{"hazel-01"}); err == nil {
		t.Error("a key from readings that could not be read")
	}
	if _, err := os.Stat(filepath.Join(data, site.KeyFileName)); err == nil {
		t.Error("and it was kept")
	}
}
