package main

import (
	"context"
	"iter"

	"github.com/spf13/pflag"

	"greywatt"
)

// siteFlags say which study to look at and where its readings are. A verb that
// looks at a period or at a worker's share only adds those flags itself.
type siteFlags struct {
	study  studyFlag
	data   storeFlags
	period periodFlag
	worker workerFlag
}

func (f *siteFlags) addFlags(flags *pflag.FlagSet) {
	f.study.addFlags(flags)
	f.data.addFlags(flags)
}

// A site is a study with its readings, and what of both was asked for.
type site struct {
	study    *greywatt.Study
	chosen   []*greywatt.Dwelling
	period   period
	readings readingStore // nil until they are opened
}

// choose reads the study and what is asked of it, of the dwellings with the
// given ids, of all where none is given. The readings stay closed.
func (f *siteFlags) choose(ids []string) (*site, error) {
	study, err := f.study.read()
	if err != nil {
		return nil, err
	}
	s := &site{study: study}
	if s.chosen, err = dwellings(study, ids); err != nil {
		return nil, err
	}
	if s.period, err = f.period.in(study.Timezone); err != nil {
		return nil, err
	}
	if s.chosen, err = f.worker.choose(s.chosen); err != nil {
		return nil, err
	}
	return s, nil
}

// open does the same and opens the readings; who calls it is to close the site.
func (f *siteFlags) open(con *console, ids []string) (*site, error) {
	s, err := f.choose(ids)
	if err != nil {
		return nil, err
	}
	if s.readings, err = f.data.read(con); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *site) close() error { return s.readings.Close() }

// analyse runs the chosen dwellings' readings in the period through the analysis.
func (s *site) analyse(ctx context.Context) iter.Seq[result] {
	return analyse(ctx, s.readings, s.study, s.chosen, s.period)
}
