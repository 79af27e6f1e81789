package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/ingest/suggest"
)

// A command is one verb: what help says about it, and how it is done.
type command struct {
	name     string
	operands string // as in "FILE..."
	summary  string // one line
	about    string // the rest of its help
	codes    []int  // exit codes besides 0, 1, 2
	verb     verb
}

// A verb is a command's options. They are filled from flags and the
// environment before run is called.
type verb interface {
	addFlags(*pflag.FlagSet)
	run(ctx context.Context, con *console, args []string) error
}

// commands returns all verbs, in the order in which help lists them.
func commands() []command {
	return []command{
		demoCommand(),
		checkCommand(),
		runCommand(),
		watchCommand(),
		importCommand(),
		eventsCommand(),
		alarmsCommand(),
		chartCommand(),
		budgetCommand(),
		summaryCommand(),
		trendCommand(),
		diagnoseCommand(),
		offsetsCommand(),
		commissionCommand(),
		reportCommand(),
		exportCommand(),
		setAsideCommand(),
		clocksCommand(),
		dumpCommand(),
		backupCommand(),
		restoreCommand(),
		salvageCommand(),
		eraseCommand(),
		simulateCommand(),
		completionCommand(),
		versionCommand(),
	}
}

// run is the program: it returns the exit code and never ends the process.
func run(ctx context.Context, args []string, con *console) int {
	name, err := dispatch(ctx, args, con)
	if err == nil {
		return exitDone
	}
	code := exitCode(ctx, err)
	var mistakes *studyMistakes
	switch {
	case errors.As(err, &mistakes):
		io.WriteString(con.err, mistakes.Error())
	case code == exitInterrupted:
		fmt.Fprintln(con.err, "greywatt: interrupted")
	default:
		fmt.Fprintf(con.err, "%s: %v\n", strings.TrimSpace("greywatt "+name), err)
	}
	return code
}

// dispatch does what the arguments say. It returns the name of the command,
// as far as there is one, for messages.
func dispatch(ctx context.Context, args []string, con *console) (name string, err error) {
	if len(args) == 0 {
		return "", help(con.out, nil)
	}
	switch first := args[0]; {
	case first == "help" || first == "--help" || first == "-h":
		return "", help(con.out, args[1:])
	case first == "--version":
		_, err := fmt.Fprintln(con.out, "greywatt", programVersion())
		return "", err
	case strings.HasPrefix(first, "-"):
		return "", usagef("the command comes first, as in: greywatt events --data DIR")
	}
	c, err := lookUp(args[0])
	if err != nil {
		return "", err
	}
	flags := c.flags()
	if err := flags.Parse(args[1:]); err != nil {
		if errors.Is(err, pflag.ErrHelp) {
			return c.name, c.help(con.out)
		}
		return c.name, usageError{flagMistake(flags, err)}
	}
	if err := fromEnvironment(flags, con.getenv); err != nil {
		return c.name, err
	}
	return c.name, c.verb.run(ctx, con, flags.Args())
}

func lookUp(name string) (*command, error) {
	all := commands()
	names := []string{"help"}
	for i := range all {
		if all[i].name == name {
			return &all[i], nil
		}
		names = append(names, all[i].name)
	}
	if near, ok := suggest.Nearest(name, names); ok {
		return nil, usagef("no command %q; did you mean %s?", name, near)
	}
	return nil, usagef("no command %q; greywatt help lists them", name)
}

// flags returns the verb's flags, ready to be parsed.
func (c *command) flags() *pflag.FlagSet {
	flags := pflag.NewFlagSet(c.name, pflag.ContinueOnError)
	flags.Usage = func() {}
	flags.SetOutput(io.Discard)
	flags.SortFlags = false
	c.verb.addFlags(flags)
	return flags
}

// flagMistake adds the nearest flag to the library's message.
func flagMistake(flags *pflag.FlagSet, err error) error {
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
		value := getenv(variable(f.Name))
		if f.Changed || value == "" || err != nil {
			return
		}
		if setErr := flags.Set(f.Name, value); setErr != nil {
			err = usagef("%s: %v", variable(f.Name), setErr)
		}
	})
	return err
}

// variable returns the environment variable that stands for a flag.
func variable(flag string) string {
	return "GREYWATT_" + strings.ToUpper(strings.ReplaceAll(flag, "-", "_"))
}

func noOperands(args []string) error {
	if len(args) == 0 {
		return nil
	}
	return usagef("takes no operands, got %q", args[0])
}
