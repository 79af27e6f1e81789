package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

type notesOptions struct {
	study     site.StudyFlag
	dwellings site.DwellingFlag
	json      bool
}

func notesCommand() cli.Command {
	return cli.Command{
		Name:     "notes",
		Example:  "greywatt notes --study study.toml",
		Operands: "[DWELLING...]",
		Summary:  "list the journal: what was done to the dwellings, or found there",
		About: `
Lists the facts of the journal beside the study file in the order of the instants
from which they hold. What was withdrawn is among them and marked so.`,
		Verb: &notesOptions{},
	}
}

func (o *notesOptions) AddFlags(flags *pflag.FlagSet) {
	o.study.AddFlags(flags)
	o.dwellings.AddFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of a table")
}

type noteJSON struct {
	ID         string     `json:"id"`         // of the fact
	Dwelling   string     `json:"dwelling"`   // its id
	Kind       string     `json:"kind"`       // see [facts](#facts)
	At         string     `json:"at"`         // from when it holds
	Until      *string    `json:"until"`      // end of a period left out, exclusive; else null
	Text       string     `json:"text"`       // remark, or reason
	By         string     `json:"by"`         // who noted it
	Via        string     `json:"via"`        // where: shell, page; empty where it was written by hand
	Noted      *string    `json:"noted"`      // when; null where not stated
	Channel    *string    `json:"channel"`    // of a clamp, a meter or an offset; else null
	Node       string     `json:"node"`       // whose sensor it is
	OffsetK    *cli.Known `json:"offset_k"`   // of an offset; else null
	U95K       *cli.Known `json:"u95_k"`      // of an offset, where it is stated; else null
	Connection *string    `json:"connection"` // of a dwelling that was reconnected; else null
	Place      *string    `json:"place"`      // of a unit that was moved, where it is stated; else null
	Of         *string    `json:"of"`         // of a withdrawal: the fact that was wrong; else null
	Withdrawn  bool       `json:"withdrawn"`  // counts no more
	Line       int        `json:"line"`       // of the journal
}

func (o *notesOptions) Run(_ context.Context, con *cli.Console, args []string) error {
	w, err := o.study.ReadWhole()
	if err != nil {
		return err
	}
	ids := o.dwellings.With(args)
	if _, err := site.Dwellings(w.Study, ids); err != nil {
		return err
	}
	o.study.WarnTorn(con, &w)
	facts := slices.DeleteFunc(slices.Clone(w.Journal.Facts), func(f greywatt.Fact) bool { return len(ids) > 0 && !slices.Contains(ids, f.Dwelling) })
	slices.SortStableFunc(facts, func(a, b greywatt.Fact) int { return int(max(-1, min(1, a.At-b.At))) })
	standing := map[string]bool{}
	for _, f := range greywatt.Standing(w.Journal.Facts) {
		standing[f.ID] = true
	}
	if o.json {
		for i := range facts {
			if err := cli.WriteJSONLine(con.Out, asNoteJSON(&facts[i], standing[facts[i].ID])); err != nil {
				return err
			}
		}
		return nil
	}
	if len(facts) == 0 {
		_, err := fmt.Fprintln(con.Out, "no facts")
		return err
	}
	t := cli.NewTable("AT", "DWELLING", "KIND", "WHAT", "BY", "ID")
	for i := range facts {
		f := &facts[i]
		kind := string(f.Kind)
		if !standing[f.ID] && f.Kind != greywatt.FactWithdrawn {
			kind += " (withdrawn)"
		}
		t.Add(shownInstant(f.At, w.Study.Location()), f.Dwelling, kind, factWords(f, w.Study.Location()), f.By, f.ID)
	}
	return t.Write(con.Out)
}

func asNoteJSON(f *greywatt.Fact, stands bool) noteJSON {
	n := noteJSON{ID: f.ID, Dwelling: f.Dwelling, Kind: string(f.Kind), At: f.At.String(), Until: cli.KnownInstant(f.Until), Text: f.Text, By: f.By, Via: f.Via,
		Noted: cli.KnownInstant(f.Noted), Node: f.Node, Of: cli.KnownText(f.Of), Place: cli.KnownText(f.Place), Withdrawn: !stands && f.Kind != greywatt.FactWithdrawn, Line: f.Line}
	if f.Kind.OfSensor() {
		n.Channel = cli.KnownText(f.Channel.String())
	}
	if f.Connection != 0 {
		n.Connection = cli.KnownText(f.Connection.String())
	}
	if f.Kind == greywatt.FactOffset {
		offset := cli.Known(f.OffsetK)
		n.OffsetK = &offset
		if f.U95K > 0 {
			u95 := cli.Known(f.U95K)
			n.U95K = &u95
		}
	}
	return n
}

// factWords says the values of a fact, and its text.
func factWords(f *greywatt.Fact, loc *time.Location) string {
	var words []string
	if f.Kind.OfSensor() {
		words = append(words, strings.TrimSpace(f.Channel.String()+" "+f.Node))
	}
	switch {
	case f.Kind == greywatt.FactOffset && f.U95K > 0:
		words = append(words, wording.Fixed(f.OffsetK, 3)+" ± "+wording.Fixed(f.U95K, 3)+" K")
	case f.Kind == greywatt.FactOffset:
		words = append(words, wording.Fixed(f.OffsetK, 3)+" K")
	case f.Until != 0:
		words = append(words, "to "+shownInstant(f.Until, loc))
	case f.Connection != 0:
		words = append(words, f.Connection.String())
	case f.Place != "":
		words = append(words, f.Place)
	case f.Of != "":
		words = append(words, "fact "+f.Of)
	}
	if f.Text != "" {
		words = append(words, f.Text)
	}
	return strings.Join(words, "; ")
}

// shownInstant shows an instant to the minute, a day's beginning as the day.
func shownInstant(at greywatt.Instant, loc *time.Location) string {
	t := at.Time().In(loc)
	if t.Hour() == 0 && t.Minute() == 0 && t.Second() == 0 {
		return t.Format(time.DateOnly)
	}
	return t.Format("2006-01-02 15:04")
}
