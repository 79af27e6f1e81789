package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

type checkOptions struct {
	study site.StudyFlag
	data  string
	json  bool

	recompute bool
}

func checkCommand() cli.Command {
	return cli.Command{
		Name:    "check",
		Example: "greywatt check --study study.toml --data data",
		Basic:   true,
		Summary: "list every mistake in study file and journal, and damage in the data",
		About: `
Reads the study file and lists every mistake at once, each as
FILE:LINE: KEY: what is wrong; what to do. Unknown keys are mistakes. So it does
with the table of dwellings that the file may name, where the key is dwelling
and column, and then with the journal beside it, where there is one.

With --data it also reads the whole store and names every part of it that is
damaged; salvage makes a folder of what is left. Where nodes number their packs, it
says which have not come; they may be late. With --recompute as well it analyses
all readings again and names what differs from what was kept of earlier analyses,
results.sqlite in the data folder; what does is removed there. Without it that
file is left alone.

With --json the result is one object; the exit codes are the same.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &checkOptions{},
	}
}

func (o *checkOptions) AddFlags(flags *pflag.FlagSet) {
	o.study.AddFlags(flags)
	flags.StringVar(&o.data, "data", "", "also check the data `DIR`")
	flags.BoolVar(&o.recompute, "recompute", false, "with --data, also analyse all readings again and compare what is kept of earlier analyses")
	flags.BoolVar(&o.json, "json", false, "write JSON instead of text")
}

func (o *checkOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	if o.recompute && o.data == "" {
		return cli.Usagef("--recompute is of a data folder: say --data DIR")
	}
	result, err := o.check(ctx, con)
	if o.json {
		if written := cli.WriteJSONLine(con.Out, &result); written != nil {
			return written
		}
		return err
	}
	result.write(con)
	return err
}

// checkJSON is what check finds.
type checkJSON struct {
	Study     string             `json:"study"`          // the study file
	Journal   *string            `json:"journal"`        // its journal; null without
	Mistakes  []mistakeJSON      `json:"mistakes"`       // in either, or in the table of dwellings
	Facts     int                `json:"facts"`          // of the journal; 0 with mistakes
	Torn      *string            `json:"torn"`           // what an interrupted write left at the journal's end; null without
	Dwellings int                `json:"dwellings"`      // of the study; 0 with mistakes
	Timezone  *string            `json:"timezone"`       // of the study; null with mistakes
	Data      *checkedFolderJSON `json:"data,omitempty"` // with `--data`, unless the study file has mistakes
}

type mistakeJSON struct {
	File   string `json:"file"`   // that it is in
	Line   int    `json:"line"`   // of the file
	Key    string `json:"key"`    // such as dwelling[larch-04].sensor[flow].scale, of a table such as larch-04, column flow_scale; may be empty
	What   string `json:"what"`   // is wrong
	Remedy string `json:"remedy"` // what to do
}

type checkedFolderJSON struct {
	Store     string   `json:"store"`             // its file
	Dwellings int      `json:"dwellings"`         // with readings
	Unknown   []string `json:"unknown_dwellings"` // with readings, and not in the study
	Damage    []string `json:"damage"`            // a text for each damaged block

	Missing []missingPacksJSON `json:"missing_packs"` // nodes that number their packs and of which some have not come

	Differs *[]string `json:"differs,omitempty"` // with `--recompute`: a text for each result that is kept and is another when it is worked out again
}

type missingPacksJSON struct {
	Dwelling string `json:"dwelling"` // of the node
	Node     string `json:"node"`     // by the name it gives itself
	Packs    int64  `json:"packs"`    // that have not come, late or lost on the way
	Which    string `json:"which"`    // numbers of the newest of them, such as 12 to 14, 7
}

// check reads the study file and, where one is named, the data folder. What it
// returns is complete as far as it got where there is an error.
func (o *checkOptions) check(ctx context.Context, con *cli.Console) (checkJSON, error) {
	out := checkJSON{Study: o.study.File, Mistakes: []mistakeJSON{}}
	if file := string(o.study.JournalFile()); fileExists(file) {
		out.Journal = &file
	}
	written, err := o.study.ReadWhole()
	if mistakes := (*cli.StudyMistakes)(nil); errors.As(err, &mistakes) {
		for _, m := range mistakes.Mistakes {
			out.Mistakes = append(out.Mistakes, mistakeJSON{mistakes.FileOf(&m), m.Line, m.Key, m.What, m.Remedy})
		}
	}
	if err != nil {
		return out, err
	}
	s := written.Study
	out.Facts = len(written.Journal.Facts)
	if t := written.Journal.Torn; t != nil {
		out.Torn = cli.KnownText(fmt.Sprintf("%s:%s", *out.Journal, t))
	}
	out.Dwellings, out.Timezone = len(s.Dwellings), cli.KnownText(s.Timezone.String())
	if o.data == "" {
		return out, nil
	}
	data, err := checkData(ctx, site.DataFlag{Dir: o.data}, s)
	out.Data = data
	if err != nil || !o.recompute {
		return out, err
	}
	differs, err := site.CompareKept(ctx, con, &site.StoreFlags{DataFlag: site.DataFlag{Dir: o.data}}, s)
	if err == nil && len(differs) > 0 {
		err = fmt.Errorf("%s: kept results were not those of a fresh analysis, and are removed; please report it with the output of greywatt version", o.data)
	}
	out.Data.Differs = &differs
	return out, err
}

func fileExists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// checkData reads the whole store, and names dwellings that the study does not.
func checkData(ctx context.Context, data site.DataFlag, s *greywatt.Study) (*checkedFolderJSON, error) {
	st, err := data.Read()
	if err != nil {
		return nil, err
	}
	defer st.Close()
	stored, err := st.Dwellings(ctx)
	if err != nil {
		return nil, err
	}
	damage, err := st.Check(ctx)
	if err != nil {
		return nil, err
	}
	out := &checkedFolderJSON{Store: st.Path(), Dwellings: len(stored), Unknown: []string{}, Damage: []string{}, Missing: []missingPacksJSON{}}
	for _, id := range stored {
		if _, ok := s.Dwelling(id); !ok {
			out.Unknown = append(out.Unknown, id)
		}
	}
	packs, err := logger.ReadPacks(ctx, st)
	if err != nil {
		return nil, err
	}
	for _, p := range packs {
		if n := p.Missing(); n > 0 {
			out.Missing = append(out.Missing, missingPacksJSON{p.Dwelling, p.Node, int64(n), p.String()})
		}
	}
	for _, d := range damage {
		out.Damage = append(out.Damage, d.Error())
	}
	if len(damage) > 0 {
		return out, fmt.Errorf("%s: %s; salvage what is left, or go back to a backup", st.Path(), wording.Count(len(damage), "damaged block"))
	}
	return out, nil
}

// write writes for people what was found; mistakes in the study file are the
// error's to tell.
func (c *checkJSON) write(con *cli.Console) {
	if c.Timezone == nil {
		return
	}
	fmt.Fprintf(con.Out, "%s: no mistakes; %s, time zone %s\n", c.Study, wording.Count(c.Dwellings, "dwelling"), *c.Timezone)
	if c.Journal != nil {
		fmt.Fprintf(con.Out, "%s: no mistakes; %s\n", *c.Journal, wording.Count(c.Facts, "fact"))
	}
	if c.Torn != nil {
		fmt.Fprintln(con.Err, *c.Torn)
	}
	if c.Data == nil {
		return
	}
	for _, id := range c.Data.Unknown {
		fmt.Fprintf(con.Out, "%s: has readings of %s, which the study does not name: they are kept and not analysed\n", c.Data.Store, id)
	}
	for _, m := range c.Data.Missing {
		fmt.Fprintf(con.Out, "%s: %s/%s: %s not come, late or lost on the way: %s\n", c.Data.Store, printable(m.Dwelling), printable(m.Node), wording.Count(int(m.Packs), "pack"), m.Which)
	}
	for _, d := range c.Data.Damage {
		fmt.Fprintln(con.Err, d)
	}
	if c.Data.Differs != nil {
		for _, d := range *c.Data.Differs {
			fmt.Fprintln(con.Err, d)
		}
		if len(*c.Data.Differs) == 0 {
			fmt.Fprintf(con.Out, "%s: kept results are those of a fresh analysis\n", filepath.Dir(c.Data.Store))
		}
	}
	if len(c.Data.Damage) == 0 {
		fmt.Fprintf(con.Out, "%s: no damage; %s\n", c.Data.Store, wording.Count(c.Data.Dwellings, "dwelling"))
	}
}
