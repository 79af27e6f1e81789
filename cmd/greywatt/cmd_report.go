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
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/report"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots/wording"
)

type reportOptions struct {
	site.Flags
	out       string
	pdf       string
	pages     bool
	files     bool
	threshold float64
	names     bool
	key       site.KeyFlag
}

func reportCommand() cli.Command {
	return cli.Command{
		Name:    "report",
		Example: "greywatt report --study study.toml --data data --out report",
		Basic:   true,
		Summary: "write the study's report, one HTML file to read or print",
		About: `
Analyses all readings and writes report.html into a folder: measured against
rated and its distribution over dwellings first, then groups, what a year would
bring, months, the effect of cleanings and repairs, findings, every dwelling,
method and assumptions, uncertainty, completeness, events not used and why,
cautions. The file needs nothing else, holds no script and prints on A4. The
same data gives the same bytes.

With --pages there is also a page for each dwelling, with its trend, findings
and advice on cleaning. With --pdf the same report is written as PDF, with --out
beside it or without. With --files the charts stand beside report.html as SVG
and PNG, with the figures behind them as CSV.

Dwellings appear under pseudonyms, unless --names asks for their ids. They come
from a key that the first report or export keeps in the data folder, in
pseudonyms.key, and stay the same as long as it is there. Keep it as you keep
the ids: who has both can tell which dwelling is which.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &reportOptions{},
	}
}

func (o *reportOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.Kept.AddFlags(flags)
	flags.StringVar(&o.out, "out", "", "the `DIR` to write into (required without --pdf)")
	flags.StringVar(&o.pdf, "pdf", "", "also write the report to this PDF `FILE`")
	flags.BoolVar(&o.pages, "pages", false, "a page for each dwelling too")
	flags.BoolVar(&o.files, "files", false, "also write charts as SVG and PNG, and their figures as CSV, into --out")
	flags.Float64Var(&o.threshold, "threshold", cleaning.DefaultThreshold, "the loss of effectiveness, as a `SHARE`, at which to clean")
	flags.BoolVar(&o.names, "names", false, "name the dwellings by their ids")
	o.key.AddFlags(flags)
}

func (o *reportOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	switch {
	case o.out == "" && o.pdf == "":
		return cli.Usagef("say where to: --out DIR, or --pdf FILE")
	case o.out == "" && o.files:
		return cli.Usagef("--files go beside report.html: say where with --out DIR")
	}
	if !(o.threshold > 0 && o.threshold < 1) {
		return cli.Usagef("--threshold %g: want a share between 0 and 1, such as 0.10", o.threshold)
	}
	if o.Data.OnServer() && !o.names && o.key.File == "" {
		return cli.Usagef("without a data folder say where the key for pseudonyms is, or is to be: --key-file FILE")
	}
	s, err := o.Open(con, nil)
	if err != nil {
		return err
	}
	defer s.Close()
	names, err := o.dwellingNames(ctx, con, s.Readings, s.Study)
	if err != nil {
		return err
	}

	doc := report.Report{Pages: o.pages}
	digest := sha256.New()
	bar := con.Progress(int64(len(s.Chosen)), "dwellings analysed")
	damage := site.DamageReport{Console: con}
	for r := range s.Analyse(ctx) {
		if r.Err != nil {
			return r.Err
		}
		damage.AddResult(&r)
		if err := o.add(&doc, digest, s.Study, &r, names[r.Dwelling.ID]); err != nil {
			return err
		}
		bar.Add(1)
	}
	bar.Finish()
	about := report.About{
		Study: s.Study.Name, Zone: s.Study.Timezone, Pseudonym: !o.names, Threshold: o.threshold,
		Digest: hex.EncodeToString(digest.Sum(nil)), Program: strings.TrimSpace("greywatt " + programVersion()),
	}
	written, err := o.write(&doc, about)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintf(con.Out, "%s: %s\n", strings.Join(written, ", "), wording.Count(len(s.Chosen), "dwelling")); err != nil {
		return err
	}
	return damage.Err()
}

// write writes what was asked for and returns where to.
func (o *reportOptions) write(doc *report.Report, about report.About) (written []string, err error) {
	if o.out != "" {
		file := filepath.Join(o.out, "report.html")
		if err := staging.WriteFile(file, func(w io.Writer) error { return doc.Write(w, about) }); err != nil {
			return nil, err
		}
		written = append(written, file)
	}
	if o.files {
		for _, f := range doc.Files(about) {
			if err := staging.WriteFile(filepath.Join(o.out, f.Name), f.Write); err != nil {
				return nil, err
			}
		}
	}
	if o.pdf != "" {
		if err := staging.WriteFile(o.pdf, func(w io.Writer) error { return doc.WritePDF(w, about) }); err != nil {
			return nil, err
		}
		written = append(written, o.pdf)
	}
	return written, nil
}

// add takes a dwelling's results into the report and its events into the digest.
func (o *reportOptions) add(doc *report.Report, digest hash.Hash, s *greywatt.Study, r *site.Result, name string) error {
	if err := dataset.WriteJSON(digest, r.Events); err != nil {
		return err
	}
	c := cleaning.Assess(s, r.Dwelling, r.Events, r.Diagnosis, o.threshold)
	words := trendText{zone: s.Timezone}
	words.dwelling(r, &c)
	findings := r.Diagnosis.All()
	sums := summary.OfDwelling(r.Dwelling, s.Timezone, r.Events, findings)
	return doc.Add(report.Dwelling{
		Name: name, Study: r.Dwelling,
		Summary:  sums,
		Year:     summary.OfYear(r.Dwelling, s.Timezone, r.All(), findings, &sums.Summary, &r.Completeness),
		Effects:  summary.OfWork(r.Dwelling, s.Timezone, r.All(), findings),
		Coverage: r.Completeness, Findings: r.Diagnosis.Findings, Trend: r.Diagnosis.Trend,
		Cleaning: c, Advice: verdictWords(&c, s.Timezone), Words: words.lines,
	}, s.Timezone)
}

// dwellingNames returns what to call each dwelling.
func (o *reportOptions) dwellingNames(ctx context.Context, con *cli.Console, from site.FrameSource, s *greywatt.Study) (map[string]string, error) {
	ids := make([]string, len(s.Dwellings))
	for i := range s.Dwellings {
		ids[i] = s.Dwellings[i].ID
	}
	names := ids
	if !o.names {
		key, err := o.key.Read(ctx, con, o.Data.Dir, from, ids)
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
