package site

import (
	"github.com/spf13/pflag"

	"greywatt/ingest/store"
)

// A DataFlag names the data folder.
type DataFlag struct{ Dir string }

func (f *DataFlag) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.Dir, "data", "greywatt-data", "the data `DIR`, made by run or import")
}

// Read opens the store for reading, beside a logger that may be writing to it.
func (f *DataFlag) Read() (*store.Store, error) {
	return store.Open(f.Dir, store.Options{ReadOnly: true})
}

// Write opens the store for writing; only one process can.
func (f *DataFlag) Write() (*store.Store, error) {
	return store.Open(f.Dir, store.Options{})
}
