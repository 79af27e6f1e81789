package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
)

// root is the folder of the module, from the one that the tests run in.
const root = "../.."

// texts returns every document of the repository and, as they hold commands
// too, its scripts and units: their paths from root, and what they say.
func texts(t *testing.T, extensions ...string) map[string]string {
	t.Helper()
	found := map[string]string{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != root && (strings.HasPrefix(d.Name(), ".git") || d.Name() == "dist") {
			return fs.SkipDir
		}
		if d.IsDir() || !slices.Contains(extensions, filepath.Ext(path)) {
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(root, path)
		found[filepath.ToSlash(name)] = string(text)
		return err
	})
	if err != nil || len(found) == 0 {
		t.Fatalf("no documents: %v", err)
	}
	return found
}

// sessions says which test runs the console blocks of a document that is not
// one of documents.
var sessions = map[string]struct{ file, test string }{
	"firmware-notes/node.md":          {"firmware-notes/node/document_test.go", "TestSession"},
	"testdata/studies/trial.md":       {"cmd/greywatt/studies_test.go", "TestTrial"},
	"testdata/studies/trial-share.md": {"cmd/greywatt/studies_test.go", "TestTrial"},
}

// Every document that shows a session has it run.
func TestSessionsAreRun(t *testing.T) {
	for name, text := range texts(t, ".md") {
		if !consoleBlock.MatchString(text) {
			continue
		}
		if slices.Contains(documents, name) {
			continue
		}
		by, ok := sessions[name]
		if !ok {
			t.Errorf("%s shows a session that no test runs: add it to documents, or say in sessions which test does", name)
			continue
		}
		code, err := os.ReadFile(filepath.Join(root, by.file))
		if err != nil {
			t.Fatal(err)
		}
		if s := string(code); !strings.Contains(s, "func "+by.test+"(") || !strings.Contains(s, filepath.Base(name)) {
			t.Errorf("%s: %s in %s does not run it", name, by.test, by.file)
		}
	}
}

// A quoted is a piece of code in a document.
type quoted struct {
	text   string
	inline bool
}

var (
	fencedBlock = regexp.MustCompile("(?s)(?m)^```[a-z]*\n(.*?)^```")
	inlineCode  = regexp.MustCompile("`([^`\n]+(?:\n[^`\n]+)?)`")
	continued   = regexp.MustCompile(`\\\n\s*`)
)

// code returns the lines of the fenced and indented blocks of a document, and
// what stands between backquotes in its prose.
func code(document string) []quoted {
	var out []quoted
	lines := func(block string) {
		for line := range strings.Lines(continued.ReplaceAllString(block, " ")) {
			out = append(out, quoted{strings.TrimSpace(line), false})
		}
	}
	prose := fencedBlock.ReplaceAllStringFunc(document, func(block string) string {
		lines(fencedBlock.FindStringSubmatch(block)[1])
		return "\n"
	})
	var indented strings.Builder
	var rest strings.Builder
	for line := range strings.Lines(prose) {
		if strings.HasPrefix(line, "    ") {
			indented.WriteString(line)
		} else {
			rest.WriteString(line)
		}
	}
	lines(indented.String())
	for _, m := range inlineCode.FindAllStringSubmatch(rest.String(), -1) {
		out = append(out, quoted{strings.Join(strings.Fields(m[1]), " "), true})
	}
	return out
}

// A usage is a command that a document names.
type usage struct {
	program string // "greywatt", "node" or "go test"
	words   []string
}

var (
	explained  = regexp.MustCompile(`\s{2,}\S.*$`) // what stands far to the right of a command explains it
	beforehand = regexp.MustCompile(`^(?:\$ |sudo |[A-Z_]+=\S+ )+`)
	separators = regexp.MustCompile(`\s*(?:&&|\|\||[|;])\s*`)
	inShell    = regexp.MustCompile(`[$<]\(([^()]*)\)`)
)

// usages returns the commands of ours in a line of code.
func usages(line string) []usage {
	line = beforehand.ReplaceAllString(line, "")
	line = explained.ReplaceAllString(line, "")
	var out []usage
	for _, m := range inShell.FindAllStringSubmatch(line, -1) {
		out = append(out, usages(m[1])...)
	}
	quotes := regexp.MustCompile(`'[^']*'|"[^"]*"`)
	var held []string // a pattern such as 'Season|Guard' is no pipe
	line = quotes.ReplaceAllStringFunc(line, func(s string) string {
		held = append(held, s[1:len(s)-1])
		return fmt.Sprintf("\x00%d\x00", len(held)-1)
	})
	for _, part := range separators.Split(line, -1) {
		words := strings.Fields(beforehand.ReplaceAllString(part, ""))
		for i, w := range words {
			for k, h := range held {
				w = strings.ReplaceAll(w, fmt.Sprintf("\x00%d\x00", k), h)
			}
			words[i] = w
		}
		if end := slices.IndexFunc(words, func(w string) bool { return strings.ContainsAny(w[:1], "<>#&") || strings.HasPrefix(w, "2>") }); end >= 0 {
			words = words[:end]
		}
		switch {
		case len(words) == 0:
		case words[0] == "greywatt" && len(words) > 1:
			out = append(out, usage{"greywatt", words[1:]})
		case len(words) > 2 && words[0] == "go" && words[1] == "run" && words[2] == "./cmd/greywatt":
			out = append(out, usage{"greywatt", words[3:]})
		case len(words) > 2 && words[0] == "go" && words[1] == "run" && words[2] == "./firmware-notes/node":
			out = append(out, usage{"node", words[3:]})
		case len(words) > 1 && words[0] == "go" && words[1] == "test":
			out = append(out, usage{"go test", words[2:]})
		}
	}
	return out
}

// Every command that a document names exists, with its flags; every test and
// benchmark too. What a session shows is run besides.
func TestCommandsInDocuments(t *testing.T) {
	tests := readTests(t)
	node := nodeFlags(t)
	anyones := nodeFlags(t) // every flag that there is
	anyones["version"] = true
	for _, c := range commands() {
		c.Flags().VisitAll(func(f *pflag.Flag) { anyones[f.Name] = true })
	}
	n := map[string]int{}
	for name, text := range texts(t, ".md", ".service") {
		pieces := code(text)
		if filepath.Ext(name) == ".service" {
			pieces = nil
			for line := range strings.Lines(text) {
				pieces = append(pieces, quoted{strings.TrimSpace(strings.TrimLeft(line, "# ")), false})
			}
		}
		for _, piece := range pieces {
			if piece.inline && (strings.HasPrefix(piece.text, "-bench ") || strings.HasPrefix(piece.text, "-run ")) {
				piece.text = "go test " + piece.text + " ./..."
			}
			if piece.inline && strings.HasPrefix(piece.text, "--") {
				n["flag"]++
				if err := flagsAmong(strings.Fields(piece.text), anyones); err != nil {
					t.Errorf("%s: `%s`: %v", name, piece.text, err)
				}
			}
			for _, u := range usages(piece.text) {
				n[u.program]++
				var err error
				switch u.program {
				case "greywatt":
					err = parses(u.words)
				case "node":
					err = flagsAmong(u.words, node)
				case "go test":
					err = tests.check(u.words)
				}
				if err != nil {
					t.Errorf("%s: `%s`: %v", name, piece.text, err)
				}
			}
		}
	}
	t.Logf("commands in documents: %v", n)
	for _, program := range []string{"greywatt", "node", "go test", "flag"} {
		if n[program] == 0 {
			t.Errorf("no command of %s found: the documents have some", program)
		}
	}
}

// parses reports what is wrong with a command line of greywatt whose values may
// be placeholders, such as FILE.
func parses(words []string) error {
	if len(words) == 0 || words[0] == "--version" || words[0] == "--help" || words[0] == "COMMAND" {
		return nil
	}
	if words[0] == "help" {
		if len(words) == 1 || words[1] == "COMMAND" || words[1] == cli.StudyFileTopic || words[1] == cli.RecipeFileTopic {
			return nil
		}
		_, err := greywattProgram().LookUp(words[1])
		return err
	}
	c, err := greywattProgram().LookUp(words[0])
	if err != nil {
		return err
	}
	flags := c.Flags()
	known := map[string]bool{"help": true}
	flags.VisitAll(func(f *pflag.Flag) { known[f.Name] = true })
	if err := flagsAmong(words[1:], known); err != nil {
		return err
	}
	for i, w := range words[:len(words)-1] {
		f := flags.Lookup(strings.TrimPrefix(w, "--"))
		if !strings.HasPrefix(w, "--") || f == nil {
			continue
		}
		value := words[i+1]
		if allowed := f.Annotations[cli.ChoicesOf]; allowed != nil && value != strings.ToUpper(value) && !slices.Contains(allowed, value) {
			return fmt.Errorf("%s %s: want one of %s", w, value, strings.Join(allowed, ", "))
		}
	}
	return nil
}

// flagsAmong reports the first flag of the words that is not known.
func flagsAmong(words []string, known map[string]bool) error {
	for _, w := range words {
		w = strings.Trim(w, "[]")
		if name, ok := strings.CutPrefix(w, "--"); ok {
			if name, _, _ = strings.Cut(name, "="); !known[name] {
				return fmt.Errorf("no flag --%s", name)
			}
		}
	}
	return nil
}

// nodeFlags reads the reference node's flags off its source.
func nodeFlags(t *testing.T) map[string]bool {
	t.Helper()
	source, err := os.ReadFile(filepath.Join(root, "firmware-notes/node/options.go"))
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{"help": true}
	for _, m := range regexp.MustCompile(`Var[P]?\([^,]+, "([a-z-]+)"`).FindAllStringSubmatch(string(source), -1) {
		known[m[1]] = true
	}
	if len(known) < 5 {
		t.Fatalf("flags of the node: %v", known)
	}
	return known
}

// The README names every command in its table.
func TestReadmeNamesCommands(t *testing.T) {
	text := texts(t, ".md")["README.md"]
	for _, c := range commands() {
		if !regexp.MustCompile("(?m)^\\| .*`" + c.Name + "`").MatchString(text) {
			t.Errorf("README.md: no command %s in a table", c.Name)
		}
	}
}

// The README is a page; what would make it longer has a document of its own.
func TestReadmeIsAPage(t *testing.T) {
	const most = 150
	if n := strings.Count(texts(t, ".md")["README.md"], "\n"); n > most {
		t.Errorf("README.md has %d lines, at most %d are wanted", n, most)
	}
}

// The table of DEVELOPERS.md names every package that the program is made of,
// and no folder that is not there.
func TestDevelopersNamesPackages(t *testing.T) {
	_, layout, _ := strings.Cut(texts(t, ".md")["DEVELOPERS.md"], "## Where things are")
	layout, _, _ = strings.Cut(layout, "\n## ")
	named := map[string]bool{}
	for row := range strings.Lines(layout) {
		cells := strings.Split(row, "|")
		if len(cells) != 4 {
			continue
		}
		parent := ""
		for _, m := range inlineCode.FindAllStringSubmatch(cells[1], -1) {
			folder := m[1]
			if parent != "" && !strings.Contains(folder, "/") {
				folder = parent + "/" + folder // `analysis/water`, `exchanger`
			}
			parent = filepath.ToSlash(filepath.Dir(folder))
			named[folder] = true
			if info, err := os.Stat(filepath.Join(root, folder)); err != nil || !info.IsDir() {
				t.Errorf("DEVELOPERS.md names the folder %s, which is not there", folder)
			}
		}
		if strings.Contains(cells[1], "`cmd/greywatt/internal`") {
			for _, m := range inlineCode.FindAllStringSubmatch(cells[2], -1) {
				named["cmd/greywatt/internal/"+m[1]] = true
			}
		}
	}
	n := 0
	for _, p := range listPackages(t) {
		folder := strings.TrimPrefix(p.ImportPath, "greywatt/")
		if p.ImportPath == "greywatt" {
			folder = "."
		}
		if strings.HasPrefix(folder, "firmware-notes/") || strings.HasPrefix(folder, "ingest/internal/") || strings.HasSuffix(folder, "test") {
			continue // what nodes are made of; support of tests
		}
		n++
		if !named[folder] {
			t.Errorf("DEVELOPERS.md, where things are: no row names %s", folder)
		}
	}
	if n < 20 {
		t.Errorf("%d packages found", n)
	}
}
