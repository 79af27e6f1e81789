package main

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The documents whose console blocks are run. Each block is a shell session;
// the blocks of a document run one after another in one empty folder. "| head
// -N" and "..." (any lines) shorten what is shown. Pictures that a session makes
// are kept beside the document.
var documents = []string{
	"README.md",
	"testdata/studies/new-flat.md",
	"testdata/studies/slow-unit.md",
}

func TestDocuments(t *testing.T) {
	for _, name := range documents {
		t.Run(name, func(t *testing.T) {
			if testing.Short() && strings.HasPrefix(name, "testdata/studies/") {
				t.Skip("not run with -short: months of readings")
			}
			path, err := filepath.Abs("../../" + name)
			if err != nil {
				t.Fatal(err)
			}
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			t.Chdir(t.TempDir())
			commands := 0
			doc := consoleBlock.ReplaceAllStringFunc(string(text), func(block string) string {
				got, n := session(t, block)
				commands += n
				return got
			})
			if commands == 0 {
				t.Error("no command in the document")
			}
			checkPictures(t, doc, filepath.Dir(path))
			if *update {
				if err := os.WriteFile(path, []byte(doc), 0o644); err != nil {
					t.Fatal(err)
				}
			} else if doc != string(text) {
				t.Errorf("what the commands write has changed; after a look at it, go test -run Documents -update\n%s", firstDifference(doc, string(text)))
			}
		})
	}
}

var (
	consoleBlock = regexp.MustCompile("(?s)```console\n.*?```\n")
	headOf       = regexp.MustCompile(` \| head -(\d+)$`)
	// what no two runs share
	varying = []struct {
		what *regexp.Regexp
		as   string
	}{
		{regexp.MustCompile(`in N s \(\d+ a second\)`), "in 11.0 s (418944 a second)"},
		{regexp.MustCompile(`tcp://127\.0\.0\.1:\d+`), "tcp://127.0.0.1:40611"},
		{regexp.MustCompile(`in N s`), "in 1.5 s"},
	}
)

// session runs a block's commands and returns the block as it should be: a
// command's output replaces what stands below it, as much of it as is shown.
func session(t *testing.T, block string) (got string, commands int) {
	var out strings.Builder
	lines := strings.SplitAfter(strings.TrimSuffix(block, "```\n"), "\n")
	for i := 0; i < len(lines); i++ {
		command, ok := strings.CutPrefix(lines[i], "$ ")
		if !ok {
			if i == 0 {
				out.WriteString(lines[i])
			}
			continue
		}
		out.WriteString(lines[i])
		command = strings.TrimSpace(command)
		for strings.HasSuffix(command, `\`) { // a command on more than one line
			i++
			out.WriteString(lines[i])
			command = strings.TrimSuffix(command, `\`) + " " + strings.TrimSpace(lines[i])
		}
		command = strings.TrimPrefix(command, "go run ./cmd/")
		most := -1
		if m := headOf.FindStringSubmatch(command); m != nil {
			most, _ = strconv.Atoi(m[1])
			command = strings.TrimSuffix(command, m[0])
		}
		commands++
		result := documentLine(t, command)
		for _, v := range varying {
			result = v.what.ReplaceAllString(result, v.as)
		}
		shown := strings.SplitAfter(result, "\n")
		if most >= 0 {
			shown = shown[:min(most, len(shown))]
		}
		if n := following(lines[i+1:]); n >= 0 {
			// "..." stands for what is left out: keep as many lines above and below
			above, below := around(lines[i+1:])
			if above+below < len(shown) {
				shown = append(append(append([]string{}, shown[:above]...), "...\n"), shown[len(shown)-below-1:]...)
			}
		}
		out.WriteString(strings.Join(shown, ""))
	}
	out.WriteString("```\n")
	return out.String(), commands
}

// tools are what sessions use besides greywatt.
var tools = []string{"sed", "sqlite3", "Rscript"}

// documentLine runs greywatt here, and the tools by a shell.
func documentLine(t *testing.T, command string) string {
	t.Helper()
	words := strings.Fields(command)
	if !slices.Contains(tools, words[0]) {
		for i, word := range words {
			if files, _ := filepath.Glob(word); strings.Contains(word, "*") && len(files) > 0 {
				words[i] = strings.Join(files, " ")
			}
		}
		return runLine(t, strings.Join(words, " "))
	}
	if _, err := exec.LookPath(words[0]); err != nil {
		t.Fatalf("the document uses %s: install it, as .ci/run does", words[0])
	}
	out, err := exec.CommandContext(t.Context(), "sh", "-c", command).CombinedOutput()
	if err != nil {
		t.Errorf("%s: %v\n%s", command, err, out)
	}
	return string(out)
}

var (
	picture          = regexp.MustCompile(`!\[[^\]]*\]\(([^)]+)\)`)
	programVersionIn = regexp.MustCompile(`greywatt [^<]* go1[0-9.]*`)
)

// checkPictures holds the pictures of a document against those that its session
// has left in the present folder; those that it does not make must exist.
func checkPictures(t *testing.T, doc, beside string) {
	t.Helper()
	for _, m := range picture.FindAllStringSubmatch(doc, -1) {
		name := filepath.FromSlash(m[1])
		kept := filepath.Join(beside, name)
		made, err := os.ReadFile(name)
		if err == nil && *update {
			err = errors.Join(os.MkdirAll(filepath.Dir(kept), 0o755), os.WriteFile(kept, made, 0o644))
		}
		want, keptErr := os.ReadFile(kept)
		switch {
		case keptErr != nil:
			t.Error(keptErr)
		case err == nil && !bytes.Equal(programVersionIn.ReplaceAll(made, nil), programVersionIn.ReplaceAll(want, nil)):
			t.Errorf("%s has changed; after a look at it, go test -run Documents -update", m[1])
		}
	}
}

// following returns the index of a line "..." before the next command, -1 where
// there is none.
func following(lines []string) int {
	for i, l := range lines {
		if strings.HasPrefix(l, "$ ") {
			return -1
		}
		if strings.TrimSpace(l) == "..." {
			return i
		}
	}
	return -1
}

// around counts the lines shown above and below "...".
func around(lines []string) (above, below int) {
	above = following(lines)
	for _, l := range lines[above+1:] {
		if strings.HasPrefix(l, "$ ") {
			break
		}
		if l != "" { // what SplitAfter leaves behind the last line
			below++
		}
	}
	return above, below
}
