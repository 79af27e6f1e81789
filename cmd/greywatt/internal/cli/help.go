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
showers, and holds measured effectiveness against the rated value, with its
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
	text := fmt.Sprintf("Flags, each also by a variable (--%s by %s):\n%s\n", named, Variable(named), usual.FlagUsagesWrapped(helpWidth))
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

// studyFileHelp writes every key of the study file.
func studyFileHelp(out io.Writer) error {
	var text strings.Builder
	text.WriteString("The keys of a study file, in TOML; greywatt check names mistakes in one. There may be\n" +
		"any number of [[dwelling]], and in each of exchanger.rated, sensor and cleaned.\n")
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
	_, err := io.WriteString(out, text.String())
	return err
}
