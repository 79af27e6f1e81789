// Package cli is the command line: commands with their flags and help, exit
// codes, tables, wrapped text and lines of JSON. It knows nothing of studies or
// readings.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/ingest/suggest"
)

// A Command is one verb: what help says about it, and how it is done.
type Command struct {
	Name     string
	Operands string   // as in "FILE..."
	Summary  string   // one line
	About    string   // the rest of its help
	Example  string   // a line that works as printed, once its files exist
	Basic    bool     // among what most people need; help lists these first
	Formerly []string // earlier names, which still work
	Codes    []int    // exit codes besides 0, 1, 2
	Verb     Verb
}

// A Verb is a command's options. They are filled from flags and the
// environment before run is called.
type Verb interface {
	AddFlags(*pflag.FlagSet)
	Run(ctx context.Context, con *Console, args []string) error
}

// A Program is its commands, in the order in which help lists them.
type Program struct {
	Commands []Command
	Version  func() string // of the build, on one line
}

// Run is the program: it returns the exit code and never ends the process.
func (p *Program) Run(ctx context.Context, args []string, con *Console) int {
	name, err := p.dispatch(ctx, args, con)
	if err == nil {
		return ExitDone
	}
	code := exitCode(ctx, err)
	var mistakes *StudyMistakes
	switch {
	case errors.As(err, &mistakes):
		io.WriteString(con.Err, mistakes.Error())
	case code == ExitInterrupted:
		fmt.Fprintln(con.Err, "greywatt: interrupted")
	default:
		fmt.Fprintf(con.Err, "%s: %s\n", strings.TrimSpace("greywatt "+name), withAdvice(err))
	}
	return code
}

// dispatch does what the arguments say. It returns the name of the command,
// as far as there is one, for messages.
func (p *Program) dispatch(ctx context.Context, args []string, con *Console) (name string, err error) {
	if len(args) == 0 {
		return "", p.help(con.Out, nil)
	}
	switch first := args[0]; {
	case first == "help" || first == "--help" || first == "-h":
		return "", p.help(con.Out, args[1:])
	case first == "--version":
		_, err := fmt.Fprintln(con.Out, "greywatt", p.Version())
		return "", err
	case strings.HasPrefix(first, "-"):
		return "", Usagef("the command comes first, as in: greywatt events --data DIR")
	}
	c, err := p.LookUp(args[0])
	if err != nil {
		return "", err
	}
	flags := c.Flags()
	if err := flags.Parse(args[1:]); err != nil {
		if errors.Is(err, pflag.ErrHelp) {
			return c.Name, c.help(con.Out)
		}
		return c.Name, usageError{flagMistake(flags, err)}
	}
	if err := fromEnvironment(flags, con.Getenv); err != nil {
		return c.Name, err
	}
	return c.Name, c.Verb.Run(ctx, con, flags.Args())
}

func (p *Program) LookUp(name string) (*Command, error) {
	all := p.Commands
	names := []string{"help"}
	for i := range all {
		if all[i].Name == name || slices.Contains(all[i].Formerly, name) {
			return &all[i], nil
		}
		names = append(names, all[i].Name)
	}
	if near, ok := suggest.Nearest(name, names); ok {
		return nil, Usagef("no command %q; did you mean %s?", name, near)
	}
	return nil, Usagef("no command %q; greywatt help lists them", name)
}

// Flags returns the verb's flags, ready to be parsed.
func (c *Command) Flags() *pflag.FlagSet {
	flags := pflag.NewFlagSet(c.Name, pflag.ContinueOnError)
	flags.Usage = func() {}
	flags.SetOutput(io.Discard)
	flags.SortFlags = false
	c.Verb.AddFlags(flags)
	return flags
}

// flagMistake adds the nearest flag to the library's message.
func flagMistake(flags *pflag.FlagSet, err error) error {
	var bare *pflag.ValueRequiredError
	if errors.As(err, &bare) {
		value, _ := pflag.UnquoteUsage(bare.GetFlag())
		return fmt.Errorf("--%s: missing its value, %s", bare.GetSpecifiedName(), value)
	}
	var unknown *pflag.NotExistError
	if !errors.As(err, &unknown) {
		return err
	}
	var names []string
	flags.VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
	if near, ok := suggest.Nearest(unknown.GetSpecifiedName(), names); ok {
		return fmt.Errorf("no flag --%s; did you mean --%s?", unknown.GetSpecifiedName(), near)
	}
	return fmt.Errorf("no flag --%s; --help lists them", unknown.GetSpecifiedName())
}

// fromEnvironment fills flags that were not given from their variables.
func fromEnvironment(flags *pflag.FlagSet, getenv func(string) string) error {
	var err error
	flags.VisitAll(func(f *pflag.Flag) {
		value := getenv(Variable(f.Name))
		if f.Changed || value == "" || err != nil {
			return
		}
		if setErr := flags.Set(f.Name, value); setErr != nil {
			err = Usagef("%s: %v", Variable(f.Name), setErr)
		}
	})
	return err
}

// Variable returns the environment variable that stands for a flag.
func Variable(flag string) string {
	return "GREYWATT_" + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

func NoOperands(args []string) error {
	if len(args) == 0 {
		return nil
	}
	return Usagef("takes no operands, got %q", args[0])
}
