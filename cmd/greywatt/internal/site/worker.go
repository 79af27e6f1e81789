package site

import (
	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/share"
)

// WorkerFlag says which share of the dwellings is this process's.
type WorkerFlag struct{ Text string }

func (f *WorkerFlag) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.Text, "worker", "", "only the share of worker `I/N`, such as 2/3; every dwelling is one worker's")
	cli.ForServers(flags, "worker")
}

// Choose returns the dwellings that are this process's.
func (f *WorkerFlag) Choose(ds []*greywatt.Dwelling) ([]*greywatt.Dwelling, error) {
	if f.Text == "" {
		return ds, nil
	}
	s, err := share.Parse(f.Text)
	if err != nil {
		return nil, cli.Usagef("--worker: %w", err)
	}
	var mine []*greywatt.Dwelling
	for _, d := range ds {
		if s.Has(d.ID) {
			mine = append(mine, d)
		}
	}
	return mine, nil
}
