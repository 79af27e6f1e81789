package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/site"
)

// defaultMinGroup is the threshold of small groups in common practice of
// statistical offices (from memory: 3 to 10, mostly 5).
const defaultMinGroup = 5

// disclosureFlags say what a dataset reveals of the people in it.
type disclosureFlags struct {
	public, pseudonyms bool
	coarsen            string
	minGroup           int
	key                site.KeyFlag
}

func (f *disclosureFlags) AddFlags(flags *pflag.FlagSet) {
	flags.BoolVar(&f.public, "public", false, "make it fit to publish: pseudonyms, days, no small groups")
	flags.BoolVar(&f.pseudonyms, "pseudonyms", false, "pseudonyms for ids, and times as they are")
	flags.StringVar(&f.coarsen, "coarsen", "", "pseudonyms, and times as the `PERIOD` that they lie in: hour, day, week or month (day with --public)")
	flags.IntVar(&f.minGroup, "min-group", 0, fmt.Sprintf("leave out what fewer than `N` dwellings share; 1 for nothing (%d with --public)", defaultMinGroup))
	f.key.AddFlags(flags)
}

// on reports whether anything is to be hidden.
func (f *disclosureFlags) on() bool {
	return f.public || f.pseudonyms || f.coarsen != "" || f.minGroup != 0
}

// check fills in what --public stands for, and refuses what does not go together.
func (f *disclosureFlags) check(o *exportOptions) error {
	if !f.on() {
		if f.key.File != "" {
			return cli.Usagef("--key-file is for --pseudonyms or --public")
		}
		return nil
	}
	if f.public && f.coarsen == "" {
		f.coarsen = string(dataset.Day)
	}
	if f.public && f.minGroup == 0 {
		f.minGroup = defaultMinGroup
	}
	switch {
	case f.coarsen != "" && !slices.Contains(dataset.Periods, dataset.Period(f.coarsen)):
		return cli.Usagef("--coarsen %s: want hour, day, week or month", f.coarsen)
	case f.minGroup < 0:
		return cli.Usagef("--min-group %d: want 1 or more", f.minGroup)
	case f.minGroup > 1 && f.coarsen == "":
		return cli.Usagef("--min-group wants --coarsen: no two dwellings share an exact time")
	case f.minGroup > 1 && o.Worker.Text != "":
		return cli.Usagef("--min-group counts all dwellings, so it goes with no --worker")
	case o.mirror != "":
		return cli.Usagef("a mirror has the dwellings' ids: export to it apart from what is published")
	case o.out == "":
		return cli.Usagef("say where to: --out DIR")
	case o.Data.OnServer() && f.key.File == "":
		return cli.Usagef("without a data folder say where the key for pseudonyms is, or is to be: --key-file FILE")
	}
	return f.fit(o.out)
}

// fit refuses a folder with files of an export that hides nothing, and with
// --public one with anything in it that was not exported: what is published is the
// folder, and a chart's name is a dwelling's.
func (f *disclosureFlags) fit(dir string) error {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, e := range entries {
		if slices.Contains(dataset.Naming, e.Name()) {
			return cli.Usagef("%s has %s in it, of an export that hides nothing, and it says which dwelling is which: take a folder of its own", dir, e.Name())
		}
		if f.public && !dataset.Known(e.Name()) {
			return cli.Usagef("%s has %s in it, which is not of a dataset: publish from a folder of its own", dir, e.Name())
		}
	}
	return nil
}

// open returns the package that the flags ask for.
func (f *disclosureFlags) open(ctx context.Context, con *cli.Console, o *exportOptions, from site.FrameSource, s *greywatt.Study) (*dataset.Package, error) {
	if !f.on() {
		return dataset.New(s, version, o.out), nil
	}
	ids := make([]string, len(s.Dwellings))
	for i := range s.Dwellings {
		ids[i] = s.Dwellings[i].ID
	}
	key, err := f.key.Read(ctx, con, o.Data.Dir, from, ids)
	if err != nil {
		return nil, err
	}
	return dataset.Disclosing(s, version, o.out, dataset.Disclosure{Key: key, Coarsen: dataset.Period(f.coarsen), MinGroup: f.minGroup}), nil
}

// explain says what can be done where too little is left.
func (f *disclosureFlags) explain(err error) error {
	if errors.Is(err, dataset.ErrTooFew) {
		return fmt.Errorf("%s. A lower --min-group publishes it on your judgement, 1 without this protection", strings.TrimPrefix(err.Error(), "export: "))
	}
	return err
}
