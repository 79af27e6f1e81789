package cli

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/ingest/recipe"
	"greywatt/ingest/studyfile"
)

// helpWidth is how long lines of help may be.
const helpWidth = 80

// help writes the list of commands, or the help of one.
func (p *Program) help(out io.Writer, args []string) error {
	if len(args) > 0 && args[0] == StudyFileTopic {
		return studyFileHelp(out)
	}
	if len(args) > 0 && args[0] == RecipeFileTopic {
		return recipeFileHelp(out)
	}
	if len(args) > 0 {
		c, err := p.LookUp(args[0])
		if err != nil {
			return err
		}
		return c.help(out)
	}
	var text strings.Builder
	text.WriteString(`greywatt logs shower heat recovery units in the field over MQTT, finds the
showers, and compares the measured effectiveness with the rated one, with its
uncertainty.

    greywatt demo                 a simulated street through the whole program
    greywatt help COMMAND         what a command does, an example, its flags
    greywatt help study-file      every key of a study file
    greywatt help recipe-file     every key of a recipe for other loggers' data
    greywatt --version

What most people need:
`)
	list := func(basic bool) {
		for _, c := range p.Commands {
			if c.Basic == basic {
				fmt.Fprintf(&text, "    %-10s  %s\n", c.Name, c.Summary)
			}
		}
	}
	list(true)
	text.WriteString("\nAlso:\n")
	list(false)
	_, err := io.WriteString(out, text.String())
	return err
}

func (c *Command) help(out io.Writer) error {
	var text strings.Builder
	usage := strings.TrimSpace("greywatt " + c.Name + " " + c.Operands)
	flags := c.Flags()
	if flags.HasFlags() {
		usage += " [FLAG...]"
	}
	fmt.Fprintf(&text, "%s: %s\n\n    %s\n\nExample:\n\n    %s\n\n%s\n\n", c.Name, c.Summary, usage, c.Example, strings.TrimSpace(c.About))
	text.WriteString(flagsHelp(flags))
	text.WriteString("Exit codes:\n")
	codes := append([]int{ExitDone, ExitFailure, ExitUsage}, c.Codes...)
	slices.Sort(codes)
	for _, code := range codes {
		fmt.Fprintf(&text, "  %4d  %s\n", code, ExitMeanings[code])
	}
	_, err := io.WriteString(out, text.String())
	return err
}

// serverFlag is the key under which a flag keeps that it is for servers.
const serverFlag = "greywatt_server"

// ForServers says of flags that most people need none of them, as they are for an
// InfluxDB server or for many processes. Help lists them last.
func ForServers(flags *pflag.FlagSet, names ...string) {
	for _, name := range names {
		if err := flags.SetAnnotation(name, serverFlag, []string{""}); err != nil {
			panic("greywatt: " + err.Error())
		}
	}
}

// flagsHelp lists the flags, those for servers last.
func flagsHelp(flags *pflag.FlagSet) string {
	if !flags.HasFlags() {
		return ""
	}
	usual, server := pflag.NewFlagSet("", pflag.ContinueOnError), pflag.NewFlagSet("", pflag.ContinueOnError)
	usual.SortFlags, server.SortFlags = false, false
	named := "data"
	if flags.Lookup(named) == nil {
		named = ""
	}
	flags.VisitAll(func(f *pflag.Flag) {
		if _, ok := f.Annotations[serverFlag]; ok {
			server.AddFlag(f)
			return
		}
		usual.AddFlag(f)
		if named == "" {
			named = f.Name
		}
	})
	text := fmt.Sprintf("Flags; each may also come from the environment (--%s from %s):\n%s\n", named, Variable(named), usual.FlagUsagesWrapped(helpWidth))
	if server.HasFlags() {
		text += fmt.Sprintf("With an InfluxDB server, or many processes:\n%s\n", server.FlagUsagesWrapped(helpWidth))
	}
	return text
}

// StudyFileTopic is what help explains besides the commands.
const (
	StudyFileTopic  = "study-file"
	RecipeFileTopic = "recipe-file"
)

// recipeFileHelp writes every key of a recipe.
func recipeFileHelp(out io.Writer) error {
	var text strings.Builder
	text.WriteString(recipeIntroduction)
	for _, k := range recipe.Keys() {
		fmt.Fprintf(&text, "\n%s (%s)\n    %s\n", k.Path, k.Type, Wrap(k.Meaning, helpWidth-4, "    "))
	}
	_, err := io.WriteString(out, text.String())
	return err
}

const recipeIntroduction = `The keys of a recipe, in TOML: where readings are found in what other loggers and
nodes give, and what they mean. It is a file of its own for greywatt import
--recipe, or a table [recipe] of the study file (several: [[recipe]]), where
greywatt run takes those with [recipe.mqtt].
greywatt recipe FILE proposes one.

An example:

    [file]
    format = "csv"
    delimiter = ";"
    decimal = ","

    [time]
    from = "Time"
    format = "DD.MM.YYYY hh:mm:ss"
    timezone = "Europe/Dublin"

    [place]
    dwelling = "larch-04"

    [[channel]]
    channel = "waste-in"
    from = "T1"
    unit = "Cel"
    invalid = [85, -127]

    [[channel]]
    channel = "flow"
    from = "Pulses"
    unit = "pulse"
    pulses_per_litre = 450
    counter = "total"

Over MQTT, [mqtt] stands in place of [file]:

    [mqtt]
    topics = ["home/{dwelling}/{node}/state"]
    payload = "json"

    [time]
    from = "$.ts"
    format = "unix-ms"

    [[channel]]
    channel = "cold-in"
    from = "$.temperatures[0]"
    unit = "Cel"

`

const largeStudyHelp = `
Many dwellings: what they have in common stands once, in [defaults] and in
[group.NAME] for those of a group, with the keys of a dwelling; where they
differ, in a table of dwellings. A key is taken from the dwelling itself, else
from its row in the table, else from its group, else from the defaults, else it
is the default above. A dwelling need not stand in the file at all. A sensor is
filled up from the sensor of its channel below it; batch_u95_k goes with the
u95_k that it is a part of. Where there is a [group.NAME], each group that a
dwelling names wants one, which may be empty. run takes up changes of the table.

    [study]
    name = "Larch Row retrofit"
    dwellings = "dwellings.csv"

    [defaults]
    connection = "A"
    exchanger.rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]
    heater = { kind = "gas combi boiler", efficiency = 0.88 }
    [[defaults.sensor]]
    channel = "waste-in"
    u95_k = 0.3
    batch = "delivery-1"
    calibrated = 2025-11-03
    certificate = "cal-2025-117"

    [group.flats]
    connection = "B"
    [group.houses]

and beside it dwellings.csv, in which an empty cell states nothing:

    id,group,rated,fitted,waste_in_offset_k
    larch-04,flats,7.0:0.62;9.5:0.57,2026-01-10,0.10
    larch-05,houses,,2026-01-11,-0.05

Its columns, of which only id must be there:
`

const sensorColumnsHelp = `    of a sensor: the channel and a key with _ between, such as waste_in_u95_k,
    flow_scale, cold_in_batch, preheat_out_calibrated
`

// studyFileHelp writes every key of the study file.
func studyFileHelp(out io.Writer) error {
	var text strings.Builder
	text.WriteString("The keys of a study file, in TOML; greywatt check names mistakes in one. There may be\n" +
		"any number of [[dwelling]], and in each of exchanger.rated, sensor and cleaned;\n" +
		"and of [[dataset.contributor]] and [[dataset.funding]].\n")
	for _, k := range studyfile.Keys() {
		fmt.Fprintf(&text, "\n%s\n    %s\n", k.Path, k.Meaning)
		rule := k.Type
		if k.Range != "" {
			rule += ", " + k.Range
		}
		switch {
		case k.Required:
			rule += "; required"
		case k.Default != "":
			rule += "; default " + k.Default
		}
		fmt.Fprintf(&text, "    %s\n", rule)
	}
	text.WriteString(largeStudyHelp)
	for _, c := range studyfile.Columns() {
		if !strings.HasPrefix(c.Key, "dwelling.sensor.") {
			fmt.Fprintf(&text, "    %-31s %s\n", c.Name, c.Type)
		}
	}
	text.WriteString(sensorColumnsHelp)
	_, err := io.WriteString(out, text.String())
	return err
}
