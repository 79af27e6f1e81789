package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
)

var update = flag.Bool("update", false, "rewrite the expected output in testdata/scripts")

// Each script is lines "$ [VARIABLE=VALUE...] greywatt ARGUMENT...", each
// followed by what it writes and, where it is not 0, "-> " and its exit code.
// They run in a folder with the files of testdata/files.
func TestScripts(t *testing.T) {
	scripts, err := filepath.Glob("testdata/scripts/*.txt")
	if err != nil || len(scripts) == 0 {
		t.Fatalf("no scripts: %v", err)
	}
	for _, script := range scripts {
		t.Run(strings.TrimSuffix(filepath.Base(script), ".txt"), func(t *testing.T) {
			want, err := os.ReadFile(script)
			if err != nil {
				t.Fatal(err)
			}
			path, err := filepath.Abs(script)
			if err != nil {
				t.Fatal(err)
			}
			dir := t.TempDir()
			if err := os.CopyFS(dir, os.DirFS("testdata/files")); err != nil {
				t.Fatal(err)
			}
			t.Chdir(dir)
			var got strings.Builder
			for line := range strings.Lines(string(want)) {
				if command, ok := strings.CutPrefix(line, "$ "); ok {
					got.WriteString(line + runLine(t, command))
				}
			}
			if *update {
				if err := os.WriteFile(path, []byte(got.String()), 0o644); err != nil {
					t.Fatal(err)
				}
			} else if got.String() != string(want) {
				t.Errorf("output differs; after a look at it, go test -update\n%s", firstDifference(got.String(), string(want)))
			}
		})
	}
}

// took masks what no two runs share.
var took = regexp.MustCompile(`in \d+\.\d s`)

func runLine(t *testing.T, line string) string {
	t.Helper()
	words := strings.Fields(line)
	env := map[string]string{}
	for words[0] != "greywatt" {
		name, value, ok := strings.Cut(words[0], "=")
		if !ok {
			t.Fatalf("script line %q runs no greywatt", line)
		}
		env[name] = value
		words = words[1:]
	}
	var out bytes.Buffer
	code := run(t.Context(), words[1:], &cli.Console{
		In: strings.NewReader(""), Out: &out, Err: &out,
		Getenv: func(name string) string { return env[name] },
		Name:   "greywatt",
	})
	if code != cli.ExitDone {
		fmt.Fprintln(&out, "->", code)
	}
	return took.ReplaceAllString(out.String(), "in N s")
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range max(len(g), len(w)) {
		a, b := "(end)", "(end)"
		if i < len(g) {
			a = g[i]
		}
		if i < len(w) {
			b = w[i]
		}
		if a != b {
			return fmt.Sprintf("line %d is\n\t%s\nwant\n\t%s", i+1, a, b)
		}
	}
	return "no difference"
}

// The help of every command is in the script, for readers too.
func TestHelpOfAll(t *testing.T) {
	files, err := filepath.Glob("testdata/scripts/help*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no help in the scripts: %v", err)
	}
	var script []byte
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		script = append(script, text...)
	}
	for _, c := range commands() {
		if !strings.Contains(string(script), "$ greywatt help "+c.Name+"\n") {
			t.Errorf("testdata/scripts/help.txt lacks %q; add the line and go test -update", "$ greywatt help "+c.Name)
		}
		if c.Summary == "" || c.About == "" {
			t.Errorf("%s: no summary or no help", c.Name)
		}
		words := strings.Fields(c.Example)
		if len(words) < 2 || words[0] != "greywatt" || words[1] != c.Name {
			t.Errorf("%s: the example is %q", c.Name, c.Example)
		} else if err := parses(words[1:]); err != nil {
			t.Errorf("%s: %s: %v", c.Name, c.Example, err)
		}
	}
}
