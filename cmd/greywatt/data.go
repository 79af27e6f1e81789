package main

import (
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
	return store.Open(f.dir, store.Options{})
}
