package main

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/journal"
	"greywatt/ingest/studyfile"
	"greywatt/ingest/suggest"
)

type noteOptions struct {
	study                     site.StudyFlag
	at, until                 string
	by, id                    string
	channel, node             string
	offset, u95               string
	sensor, exchanger, heater string
	place, connection         string
	of                        string
	now                       func() time.Time
}

func noteCommand() cli.Command {
	return cli.Command{
		Name:     "note",
		Example:  `greywatt note larch-04 cleaned "hair removed" --study study.toml`,
		Operands: "DWELLING KIND [TEXT]",
		Summary:  "record in the journal what was done to a dwelling, or found there",
		About: `
Adds a fact to the journal, study.journal.toml beside study.toml. KIND is one of
` + kindList() + `.

What else a kind needs, as flags; [ ] where it may be left out:

` + kindFlags() + `
A fact holds from --at on: a new clamp, offset, unit or heater is used for what
was measured since, and never changes what was measured before. A trend begins
anew where the unit is another, at another place or feeds something else, and
does not take a new clamp or offset for fouling. What is left out is in no
summary, trend or dataset.

    greywatt note larch-04 offset --channel cold-in --offset-k -0.12 --u95-k 0.08
    greywatt note larch-04 clamp-replaced --sensor '{ channel = "waste-in", u95_k = 0.3 }'
    greywatt note larch-04 reconnected "heater's feed moved" --connection B
    greywatt note larch-04 left-out "works in the house" --at 2026-06-01 --until 2026-06-03
    greywatt note larch-04 withdrawn "it was larch-05" --of ID

Nothing is ever taken out of the journal: a fact that was wrong is withdrawn by
another one. A fact that is noted twice under one --id counts once. run and watch
take the journal up while they run.

Noting is not doing: work on drinking-water pipe, drains and heaters is for
licensed people under local codes. After work on the unit, its valves or the
heater check the shower for scald before anybody uses it, and flush what has
stood. To clean: gloves, open window, never two cleaners, no acid on copper.`,
		Verb: &noteOptions{now: time.Now},
	}
}

// kindFlags says what flags each kind takes.
func kindFlags() string {
	var b strings.Builder
	for _, kind := range greywatt.FactKinds {
		var words []string
		for _, k := range studyfile.FactKeys() {
			must, may := k.For(kind)
			word := "--" + strings.ReplaceAll(k.Name, "_", "-")
			switch {
			case k.Name == "text" && must:
				words = append(words, "TEXT")
			case k.Must || k.All || !may:
			case must:
				words = append(words, word)
			default:
				words = append(words, "["+word+"]")
			}
		}
		if kind == greywatt.FactClampMoved || kind == greywatt.FactMeterMoved {
			words = []string{"--channel [--node], or --sensor"} // which names the channel too
		}
		if len(words) > 0 {
			fmt.Fprintf(&b, "    %-16s %s\n", kind, strings.Join(words, " "))
		}
	}
	return b.String()
}

func kindList() string {
	var lines []string
	line := ""
	for _, word := range strings.SplitAfter(strings.Join(kindNames(), ", "), " ") {
		if len(line)+len(word) > 78 {
			lines, line = append(lines, strings.TrimSpace(line)), ""
		}
		line += word
	}
	return strings.Join(append(lines, line), "\n")
}

func (o *noteOptions) AddFlags(flags *pflag.FlagSet) {
	o.study.AddFlags(flags)
	flags.StringVar(&o.at, "at", "", "it holds from the beginning of `DAY`, in the study's time zone, or from an RFC 3339 instant (default now)")
	flags.StringVar(&o.until, "until", "", "left-out: to the end of `DAY`, or before an RFC 3339 instant")
	flags.StringVar(&o.by, "by", "", "`WHO` notes it (default the user of the shell)")
	flags.StringVar(&o.channel, "channel", "", "the `CHANNEL` of the clamp, the meter or the offset")
	flags.StringVar(&o.node, "node", "", "the `NODE` whose sensor it is, where several measure the channel")
	flags.StringVar(&o.offset, "offset-k", "", "offset: `K` to subtract from the clamp's reading from then on")
	flags.StringVar(&o.u95, "u95-k", "", "offset: `K` that are left, expanded uncertainty, k = 2 (default as before)")
	flags.StringVar(&o.sensor, "sensor", "", "clamp or meter: the new one as a `TABLE` with the keys of dwelling.sensor")
	flags.StringVar(&o.exchanger, "exchanger", "", "unit-replaced: the new one as a `TABLE` with the keys of dwelling.exchanger")
	flags.StringVar(&o.heater, "heater", "", "heater-replaced: the new one as a `TABLE` with the keys of dwelling.heater")
	flags.StringVar(&o.place, "place", "", "unit-moved: `WHERE` in the dwelling it is now")
	flags.StringVar(&o.connection, "connection", "", "reconnected: what the preheated water feeds from then on, `A`, B or C")
	flags.StringVar(&o.of, "of", "", "withdrawn: the `ID` of the fact that was wrong")
	flags.StringVar(&o.id, "id", "", "the `ID` of the fact (default a new one)")
	cli.Choices(flags, "channel", channelNames()...)
	cli.Choices(flags, "connection", "A", "B", "C")
}

func channelNames() []string {
	var words []string
	for c := range greywatt.Channel(greywatt.NumChannels) {
		words = append(words, c.String())
	}
	return words
}

func (o *noteOptions) Run(_ context.Context, con *cli.Console, args []string) error {
	if len(args) < 2 || len(args) > 3 {
		return cli.Usagef("want DWELLING KIND, and a text in quotes where there is something to say")
	}
	w, err := o.study.ReadWhole()
	if err != nil {
		return err
	}
	if _, ok := w.Study.Dwelling(args[0]); !ok {
		return site.NoDwelling(w.Study, args[0])
	}
	kind := greywatt.FactKind(args[1])
	if !slices.Contains(greywatt.FactKinds, kind) {
		return noKind(args[1])
	}
	o.study.WarnTorn(con, &w)
	if o.id == "" {
		o.id = journal.NewID()
	}
	if o.by == "" {
		o.by = con.Getenv("USER")
	}
	fact, err := o.fact(w.File, append(args, "")[:3])
	if err != nil {
		return err
	}
	file := o.study.JournalFile()
	added, err := file.Append(w.File, fact)
	if in := (*journal.InJournal)(nil); errors.As(err, &in) {
		return fmt.Errorf("%w; greywatt check names them", err)
	}
	if err != nil {
		return asUsage(err)
	}
	if !added {
		_, err := fmt.Fprintf(con.Out, "%s: has a fact %s already; nothing is added\n", file, fact.ID)
		return err
	}
	_, err = fmt.Fprintf(con.Out, "%s: %s, %s from %s on; id %s\n", file, fact.Dwelling, fact.Kind, shownInstant(fact.At, w.Study.Location()), fact.ID)
	return err
}

func noKind(word string) error {
	if near, ok := suggest.Nearest(word, kindNames()); ok {
		return cli.Usagef("no kind %q; did you mean %s?", word, near)
	}
	return cli.Usagef("no kind %q; want one of %s", word, strings.Join(kindNames(), ", "))
}

func kindNames() []string {
	var names []string
	for _, k := range greywatt.FactKinds {
		names = append(names, string(k))
	}
	return names
}

var (
	dayOnly = regexp.MustCompile(`^\d{4}-\d\d-\d\d$`)
	oneLine = regexp.MustCompile(`^[^\n\r]*$`)
)

// fact reads what the flags say as a table of the journal, so that it is judged
// as one.
func (o *noteOptions) fact(study *greywatt.Study, args []string) (greywatt.Fact, error) {
	fact := greywatt.Fact{ID: o.id, Dwelling: args[0], Kind: greywatt.FactKind(args[1]), Text: args[2], By: o.by, Via: "shell", Noted: greywatt.InstantOf(o.now())}
	if o.at == "" {
		fact.At = fact.Noted
	}
	judged := fact.Kind
	if judged == greywatt.FactWithdrawn {
		judged = greywatt.FactHeadReplaced // only the whole journal has what it is of: Append looks for that
	}
	table := studyfile.FormatFact(&greywatt.Fact{ID: fact.ID, Dwelling: fact.Dwelling, Kind: greywatt.FactNote, Text: fact.Text, By: fact.By, Via: fact.Via, Noted: fact.Noted, At: fact.At})
	table = strings.Replace(table, `kind = "note"`, "kind = "+studyfile.Quote(string(judged)), 1)
	for _, v := range []struct {
		key, value string
		text       bool
	}{
		{"at", o.at, false}, {"until", o.until, false}, {"channel", o.channel, true}, {"node", o.node, true},
		{"offset_k", o.offset, false}, {"u95_k", o.u95, false}, {"sensor", o.sensor, false}, {"exchanger", o.exchanger, false}, {"heater", o.heater, false},
		{"place", o.place, true}, {"connection", o.connection, true},
	} {
		flag := "--" + strings.ReplaceAll(v.key, "_", "-")
		switch {
		case v.value == "":
			continue
		case v.key == "at" || v.key == "until":
			if _, err := time.Parse(time.RFC3339, v.value); err != nil && !dayOnly.MatchString(v.value) {
				return fact, cli.Usagef("%s %q: want a day such as 2026-01-12, or an instant such as 2026-01-12T07:00:00Z", flag, v.value)
			}
		case v.key == "offset_k" || v.key == "u95_k":
			if _, err := strconv.ParseFloat(v.value, 64); err != nil {
				return fact, cli.Usagef("%s %q: want kelvins, such as -0.12", flag, v.value)
			}
			v.value = strings.TrimPrefix(v.value, "+")
		case v.text:
			v.value = studyfile.Quote(v.value)
		case !oneLine.MatchString(v.value):
			return fact, cli.Usagef("%s: want one line", flag)
		}
		table += v.key + " = " + v.value + "\n"
	}
	facts, err := studyfile.ReadJournal([]byte(table), study)
	if err != nil {
		return fact, asUsage(err)
	}
	read := facts[0]
	read.Kind, read.Of = fact.Kind, o.of
	return read, nil
}

// asUsage says mistakes of a fact without lines that the user did not write.
func asUsage(err error) error {
	var mistakes studyfile.Mistakes
	if !errors.As(err, &mistakes) {
		return err
	}
	var said []string
	for _, m := range mistakes {
		_, key, found := strings.Cut(m.Key, "].")
		if !found {
			key = m.Key
		}
		said = append(said, strings.TrimPrefix(fmt.Sprintf("%s: %s; %s", key, m.What, m.Remedy), ": "))
	}
	return cli.Usage(errors.New(strings.Join(said, "\n")))
}
