package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis/cleaning"
	"greywatt/analysis/summary"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/report"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots/wording"
)

type reportOptions struct {
	siteFlags
	out       string
	threshold float64
	names     bool
	key       keyFlag
}

func reportCommand() command {
	return command{
		name:    "report",
		summary: "write the study's report, one HTML file to read or print",
		about: `
Analyses all readings and writes report.html into a folder: measured against
rated, the distribution over dwellings, months, a page a dwelling with its
trend, findings and advice on cleaning, method and assumptions, uncertainty,
completeness, events not used and why, cautions. The file needs nothing else,
holds no script and prints on A4. The same data gives the same bytes.

Dwellings appear under pseudonyms, unless --names asks for their ids. They come
from a key that the first report or export keeps in the data folder, in
pseudonyms.key, and stay the same as long as it is there. Keep it as you keep
the ids: who has both can tell which dwelling is which.`,
		codes: []int{exitInterrupted},
		verb:  &reportOptions{},
	}
}

func (o *reportOptions) addFlags(flags *pflag.FlagSet) {
	o.siteFlags.addFlags(flags)
	flags.StringVar(&o.out, "out", "", "the `DIR` to write into (required)")
	flags.Float64Var(&o.threshold, "threshold", cleaning.DefaultThreshold, "the loss of effectiveness, as a `SHARE`, at which to clean")
	flags.BoolVar(&o.names, "names", false, "name the dwellings by their ids")
	o.key.addFlags(flags)
}

func (o *reportOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	if o.out == "" {
		return usagef("say where to: --out DIR")
	}
	if !(o.threshold > 0 && o.threshold < 1) {
		return usagef("--threshold %g: want a share between 0 and 1, such as 0.10", o.threshold)
	}
	if o.data.onServer() && !o.names && o.key.file == "" {
		return usagef("without a data folder say where the key for pseudonyms is, or is to be: --key-file FILE")
	}
	s, err := o.open(con, nil)
	if err != nil {
		return err
	}
	defer s.close()
	names, err := o.dwellingNames(ctx, con, s.readings, s.study)
	if err != nil {
		return err
	}

	var doc report.Report
	digest := sha256.New()
	bar := con.progress(int64(len(s.chosen)), "dwellings analysed")
	damage := damageReport{con: con}
	for r := range s.analyse(ctx) {
		if r.err != nil {
			return r.err
		}
		damage.add(r)
		if err := o.add(&doc, digest, s.study, &r, names[r.dwelling.ID]); err != nil {
			return err
		}
		bar.Add(1)
	}
	bar.Finish()
	about := report.About{
		Study: s.study.Name, Zone: s.study.Timezone, Pseudonym: !o.names, Threshold: o.threshold,
		Digest: hex.EncodeToString(digest.Sum(nil)), Program: strings.TrimSpace("greywatt " + programVersion()),
	}
	file := filepath.Join(o.out, "report.html")
	if err := staging.WriteFile(file, func(w io.Writer) error { return doc.Write(w, about) }); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(con.out, "%s: %s\n", file, wording.Count(len(s.chosen), "dwelling")); err != nil {
		return err
	}
	return damage.err()
}

// add takes a dwelling's results into the report and its events into the digest.
func (o *reportOptions) add(doc *report.Report, digest hash.Hash, s *greywatt.Study, r *result, name string) error {
	if err := dataset.WriteJSON(digest, r.events); err != nil {
		return err
	}
	c := cleaning.Assess(s, r.dwelling, r.events, r.diagnosis, o.threshold)
	words := trendText{zone: s.Timezone}
	words.dwelling(r, &c)
	return doc.Add(report.Dwelling{
		Name: name, Study: r.dwelling,
		Summary:  summary.OfDwelling(r.dwelling, s.Timezone, r.events, r.diagnosis.Findings),
		Coverage: r.coverage, Findings: r.diagnosis.Findings, Trend: r.diagnosis.Trend,
		Cleaning: c, Advice: verdictWords(&c, s.Timezone), Words: words.lines,
	}, s.Timezone)
}

// dwellingNames returns what to call each dwelling.
func (o *reportOptions) dwellingNames(ctx context.Context, con *console, from frameSource, s *greywatt.Study) (map[string]string, error) {
	ids := make([]string, len(s.Dwellings))
	for i := range s.Dwellings {
		ids[i] = s.Dwellings[i].ID
	}
	names := ids
	if !o.names {
		key, err := o.key.read(ctx, con, o.data.dir, from, ids)
		if err != nil {
			return nil, err
		}
		names = key.Dwellings(ids)
	}
	of := map[string]string{}
	for i, id := range ids {
		of[id] = names[i]
	}
	return of, nil
}
