package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/health"
	"greywatt/analysis/zerocheck"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

type offsetsOptions struct {
	site.Flags
	dwellings site.DwellingFlag
	json      bool
}

func offsetsCommand() cli.Command {
	return cli.Command{
		Name:     "offsets",
		Example:  "greywatt offsets larch-04 --study study.toml --data data",
		Operands: "[DWELLING...]",
		Summary:  "compare the clamps while nothing runs, suggest offsets",
		About: `
When no water has run for four hours and more, all four clamps stand at the
room's temperature. What one of them then reads above the mean of the four is
its offset against the others; what all read too much this cannot see. Each
suggestion comes with its uncertainty (k = 2), which holds the scatter from rest
to rest and the room not being one temperature everywhere: some of that averages
over weeks. The rests are those by which a drifting clamp is found.

Nothing is applied. Where a suggestion is beyond its uncertainty and beyond half
of the clamp's declared u95_k, the lines for the study file are written out;
paste them if you agree, or repair the clamp.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &offsetsOptions{},
	}
}

func (o *offsetsOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.dwellings.AddFlags(flags)
	o.Period.AddFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of tables")
}

func (o *offsetsOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	s, err := o.Open(con, o.dwellings.With(args))
	if err != nil {
		return err
	}
	defer s.Close()
	damage := site.DamageReport{Console: con}
	for i, d := range s.Chosen {
		watch := health.New(s.Study, d)
		damaged, err := analysis.Each(s.Readings.Frames(ctx, d.ID, s.Period.From, s.Period.To), func(frames []greywatt.Frame) error {
			watch.Push(frames)
			return nil
		})
		if err != nil {
			return fmt.Errorf("dwelling %s: %w", d.ID, err)
		}
		damage.Add(damaged)
		record := watch.Close()
		if o.json {
			err = writeOffsetsJSON(con.Out, d, &record)
		} else {
			if i > 0 {
				fmt.Fprintln(con.Out)
			}
			err = writeOffsets(con.Out, d, &record)
		}
		if err != nil {
			return err
		}
	}
	return damage.Err()
}

func writeOffsets(w io.Writer, d *greywatt.Dwelling, r *health.Record) error {
	suggestions, have, want := zerocheck.AtRest(d, r)
	if suggestions == nil {
		_, err := fmt.Fprintf(w, "%s: %s, %d more are needed.\n%s\n", d.ID, wording.Count(have, "rest"), want-have, cli.Wrap(
			"A rest is four hours and more after the last draw, and an hour longer; its last two hours count. In them all four clamps lie within 3 K of their mean, none moves against the others by more than 0.2 K, and no water runs.", cli.TextWidth, ""))
		return err
	}
	var text strings.Builder
	fmt.Fprintf(&text, "%s: %s, %s\n", d.ID, wording.Count(have, "rest"), wording.Count(suggestions[0].Hours, "hour"))
	table := cli.NewTable("CLAMP", ">OFFSET_K NOW", ">READS ABOVE THE MEAN, K", ">OFFSET_K SUGGESTED", "")
	odd := oddOne(suggestions)
	var lines []string
	for i, s := range suggestions {
		advice := "leave it"
		switch {
		case s.Advised && (odd < 0 || odd == i):
			advice = "change it"
			lines = append(lines, offsetLines(d, s))
		case s.Advised:
			advice = "look again"
		case s.Drifts:
			advice = "it drifts"
		}
		table.Add(s.Channel.String(), fmt.Sprintf("%+.2f", s.DeclaredK), fmt.Sprintf("%+.3f ± %.3f", s.ExtraK, s.U95K), fmt.Sprintf("%+.2f", s.NewK), advice)
	}
	table.Write(&text)
	if odd >= 0 {
		text.WriteString(cli.Wrap(fmt.Sprintf("The other three agree: %s is the one that is off, and it moves the mean that all are held against. Change it alone, and look again.", suggestions[odd].Channel), cli.TextWidth, "") + "\n")
	}
	drifting := slices.ContainsFunc(suggestions, func(s zerocheck.Suggestion) bool { return s.Drifts })
	if drifting {
		text.WriteString(cli.Wrap("A clamp that drifts is put right by no offset, and is left out of the mean: refit or replace it.", cli.TextWidth, "") + "\n")
	}
	if len(lines) == 0 && drifting {
		text.WriteString("The others agree within what the study file says of them.\n")
	} else if len(lines) == 0 {
		text.WriteString("The clamps agree within what the study file says of them; nothing to change.\n")
	} else {
		fmt.Fprintf(&text, "Not applied. To take it over, set in the study file, under dwelling %s:\n\n%s", d.ID, strings.Join(lines, "\n"))
	}
	_, err := io.WriteString(w, text.String())
	return err
}

// oddOne returns the clamp that is off by itself, -1 if none is: others are
// advised to change too, and without it they agree within the uncertainty.
func oddOne(ss []zerocheck.Suggestion) int {
	far, advised := 0, 0
	for i, s := range ss {
		if s.Advised {
			advised++
		}
		if math.Abs(s.ExtraK) > math.Abs(ss[far].ExtraK) {
			far = i
		}
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, s := range ss {
		if i != far {
			lo, hi = min(lo, s.ExtraK), max(hi, s.ExtraK)
		}
	}
	if advised < 2 || hi-lo > ss[far].U95K {
		return -1
	}
	return far
}

// offsetLines are what the study file would say of a clamp.
func offsetLines(d *greywatt.Dwelling, s zerocheck.Suggestion) string {
	var b strings.Builder
	fmt.Fprintf(&b, "[[dwelling.sensor]]\nchannel = \"%s\"\n", s.Channel)
	for i := range d.Sensors {
		if d.Sensors[i].Channel == s.Channel {
			if d.Sensors[i].Node != "" {
				fmt.Fprintf(&b, "node = %q\n", d.Sensors[i].Node)
			}
			break
		}
	}
	fmt.Fprintf(&b, "offset_k = %.2f   # was %.2f; from %s, ± %.2f (k = 2); keep the sensor's other lines\n", s.NewK, s.DeclaredK, wording.Count(s.Rests, "rest"), s.U95K)
	return b.String()
}

type offsetJSON struct {
	Dwelling  string    `json:"dwelling"`           // its id
	Channel   string    `json:"channel"`            // the clamp
	RestHours int       `json:"rest_hours"`         // in which all clamps stood at one temperature
	Rests     int       `json:"rests"`              // that these hours belong to, two each at most
	DeclaredK cli.Known `json:"offset_k"`           // in the study file
	ExtraK    cli.Known `json:"extra_k"`            // what the clamp reads beyond it
	U95K      cli.Known `json:"extra_u95_k"`        // expanded uncertainty of that
	NewK      cli.Known `json:"suggested_offset_k"` // to put into the study file
	Advised   bool      `json:"advised"`            // the change is worth making
	Drifts    bool      `json:"drifts"`             // the clamp's error changes: no offset puts it right
}

// noOffsetJSON stands for a dwelling that has not rested long enough.
type noOffsetJSON struct {
	Dwelling  string `json:"dwelling"`           // its id
	RestHours int    `json:"rest_hours"`         // so far, two a rest
	Missing   int    `json:"rest_hours_missing"` // until anything can be said, two a rest
	Rests     int    `json:"rests"`              // so far
	Lacking   int    `json:"rests_missing"`      // until anything can be said
}

func writeOffsetsJSON(w io.Writer, d *greywatt.Dwelling, r *health.Record) error {
	const hours = 2 // of a rest
	suggestions, have, want := zerocheck.AtRest(d, r)
	for _, s := range suggestions {
		row := offsetJSON{d.ID, s.Channel.String(), s.Hours, s.Rests, cli.Known(s.DeclaredK), cli.Known(s.ExtraK), cli.Known(s.U95K), cli.Known(s.NewK), s.Advised, s.Drifts}
		if err := cli.WriteJSONLine(w, row); err != nil {
			return err
		}
	}
	if have < want {
		return cli.WriteJSONLine(w, noOffsetJSON{d.ID, hours * have, hours * (want - have), have, want - have})
	}
	return nil
}
