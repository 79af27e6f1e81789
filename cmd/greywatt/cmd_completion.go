package main

import (
	"context"
	_ "embed"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
)

// The scripts ask the program itself for candidates, so that they do not age.
var (
	//go:embed completion/greywatt.bash
	bashCompletion string
	//go:embed completion/greywatt.zsh
	zshCompletion string
	//go:embed completion/greywatt.fish
	fishCompletion string
)

type completionOptions struct{}

func completionCommand() cli.Command {
	return cli.Command{
		Name:     "completion",
		Example:  "greywatt completion bash",
		Operands: "bash|zsh|fish | words WORD...",
		Summary:  "write what lets a shell complete greywatt's commands",
		About: `
Writes a shell's completion of commands, flags, the values that some flags take
and, from the study file at hand, the dwellings' ids. For bash, in ~/.bashrc:

    source <(greywatt completion bash)

for zsh, in ~/.zshrc after compinit:

    source <(greywatt completion zsh)

and for fish:

    greywatt completion fish > ~/.config/fish/completions/greywatt.fish

The shells call greywatt completion words WORD... for the candidates of the last
of the words. ":files" and ":dirs" in its answer leave it to the shell.`,
		Verb: &completionOptions{},
	}
}

// addFlags ends the flags at the first operand: the words to complete look like
// flags too.
func (o *completionOptions) AddFlags(flags *pflag.FlagSet) { flags.SetInterspersed(false) }

func (o *completionOptions) Run(_ context.Context, con *cli.Console, args []string) error {
	if len(args) > 0 && args[0] == "words" {
		for _, c := range candidates(args[1:], con.Getenv) {
			if _, err := fmt.Fprintln(con.Out, c); err != nil {
				return err
			}
		}
		return nil
	}
	if len(args) != 1 {
		return cli.Usagef("name a shell: bash, zsh or fish")
	}
	script, ok := map[string]string{"bash": bashCompletion, "zsh": zshCompletion, "fish": fishCompletion}[args[0]]
	if !ok {
		return cli.Usagef("no completion for %q; there is bash, zsh and fish", args[0])
	}
	_, err := io.WriteString(con.Out, script)
	return err
}

// What the shell completes on its own.
const (
	shellFiles = ":files"
	shellDirs  = ":dirs"
)

// candidates returns what may stand in place of the last word, the words before
// it given. It says nothing of mistakes: a shell has no place for them.
func candidates(words []string, getenv func(string) string) []string {
	if len(words) == 0 {
		return nil
	}
	before, word := words[:len(words)-1], words[len(words)-1]
	names := []string{"help"}
	for _, c := range commands() {
		names = append(names, c.Name)
	}
	switch {
	case len(before) == 0:
		return starting(word, append(names, "--help", "--version"))
	case before[0] == "help":
		return starting(word, append(names, cli.StudyFileTopic, cli.RecipeFileTopic))
	}
	c, err := greywattProgram().LookUp(before[0])
	if err != nil {
		return nil
	}
	if c.Name == "completion" {
		return starting(word, []string{"bash", "zsh", "fish"})
	}
	l := completedLine{flags: c.Flags(), before: before[1:], getenv: getenv}
	if f := l.awaited(); f != nil {
		return l.values(f, "", word)
	}
	if name, value, ok := strings.Cut(word, "="); ok && strings.HasPrefix(name, "--") {
		if f := l.flags.Lookup(name[2:]); f != nil {
			return l.values(f, name+"=", value)
		}
		return nil
	}
	if strings.HasPrefix(word, "-") {
		all := []string{"--help"}
		l.flags.VisitAll(func(f *pflag.Flag) { all = append(all, "--"+f.Name) })
		return starting(word, all)
	}
	return l.operands(c, word)
}

// A completedLine is what stands before the word to be completed.
type completedLine struct {
	flags  *pflag.FlagSet
	before []string
	getenv func(string) string
}

// awaited returns the flag whose value comes next, nil where none does.
func (l *completedLine) awaited() *pflag.Flag {
	if len(l.before) == 0 {
		return nil
	}
	name, ok := strings.CutPrefix(l.before[len(l.before)-1], "--")
	if f := l.flags.Lookup(name); ok && f != nil && f.NoOptDefVal == "" {
		return f
	}
	return nil
}

// values returns the candidates for a flag's value, each after prefix.
func (l *completedLine) values(f *pflag.Flag, prefix, value string) []string {
	words := f.Annotations[cli.ChoicesOf]
	operand, _ := pflag.UnquoteUsage(f)
	switch {
	case words != nil:
	case operand == "FILE":
		return []string{shellFiles}
	case operand == "DIR":
		return []string{shellDirs}
	case f.Name == "dwelling":
		words = l.dwellings()
	}
	out := starting(value, words)
	for i := range out {
		out[i] = prefix + out[i]
	}
	return out
}

// operands returns the candidates for a command's operand.
func (l *completedLine) operands(c *cli.Command, word string) []string {
	switch {
	case c.Name == "note" && slices.ContainsFunc(l.dwellings(), func(id string) bool { return slices.Contains(l.before, id) }):
		return starting(word, kindNames())
	case strings.Contains(c.Operands, "DWELLING"):
		return starting(word, l.dwellings())
	case strings.Contains(c.Operands, "FILE"):
		return []string{shellFiles}
	}
	return nil
}

// dwellings returns the ids of the study file that the line or the environment
// names, none where it cannot be read.
func (l *completedLine) dwellings() []string {
	var study site.StudyFlag
	flags := pflag.NewFlagSet("", pflag.ContinueOnError)
	study.AddFlags(flags)
	if v := l.getenv(cli.Variable("study")); v != "" {
		study.File = v
	}
	for i, word := range l.before {
		if v, ok := strings.CutPrefix(word, "--study="); ok {
			study.File = v
		} else if word == "--study" && i+1 < len(l.before) {
			study.File = l.before[i+1]
		}
	}
	s, err := study.Read()
	if err != nil {
		return nil
	}
	var ids []string
	for i := range s.Dwellings {
		ids = append(ids, s.Dwellings[i].ID)
	}
	return ids
}

func starting(with string, words []string) []string {
	return slices.DeleteFunc(slices.Clone(words), func(w string) bool { return !strings.HasPrefix(w, with) })
}
