package main

import (
	"errors"
	"fmt"

	"github.com/spf13/pflag"

	"greywatt/ingest/store"
)

// A dataFlag names the data folder.
type dataFlag struct{ dir string }

func (f *dataFlag) addFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.dir, "data", "greywatt-data", "the data `DIR`, made by run or import")
}

// read opens the store for reading, beside a logger that may be writing to it.
func (f *dataFlag) read() (*store.Store, error) {
	return store.Open(f.dir, store.Options{ReadOnly: true})
}

// write opens the store for writing; only one process can.
func (f *dataFlag) write() (*store.Store, error) {
	s, err := store.Open(f.dir, store.Options{})
	if locked := (*store.LockedError)(nil); errors.As(err, &locked) {
		return nil, fmt.Errorf("%w; stop it first", err)
	}
	return s, err
}
