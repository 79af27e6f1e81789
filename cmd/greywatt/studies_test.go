package main

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var whole = flag.Bool("whole", false, "run the field trial of testdata/studies whole: forty dwellings, a year")

const studies = "../../testdata/studies/"

// onShare makes the commands of trial.md those that CI runs.
var onShare = strings.NewReplacer(
	"--preset trial", "--preset trial --dwellings 12 --days 30",
	"--public\n", "--public --min-group 2\n",
)

const aboutShare = `# The field trial's share that CI runs

Output of the commands of [trial.md](trial.md) for twelve of its dwellings and thirty of its days. Written by
` + "`go test ./cmd/greywatt -run Trial -update`." + `

`

// TestTrial runs the commands of trial.md on a share of the trial, holds what
// they write against trial-share.md, and its shape against trial.md, which has
// that of the whole. With -whole it runs the whole.
func TestTrial(t *testing.T) {
	if testing.Short() {
		t.Skip("not run with -short: a month of twelve dwellings")
	}
	folder, err := filepath.Abs(studies)
	if err != nil {
		t.Fatal(err)
	}
	beside := func(name string) string { return filepath.Join(folder, name) }
	doc, err := os.ReadFile(beside("trial.md"))
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	for _, script := range []string{"trial.sql", "truth.sql", "trial.R"} {
		text, err := os.ReadFile(beside(script))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(script, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	ran := func(block string) string {
		got, _ := session(t, block)
		return got
	}
	file, had, got := "trial.md", string(doc), ""
	if *whole {
		got = consoleBlock.ReplaceAllStringFunc(had, ran)
	} else {
		file, got = "trial-share.md", aboutShare
		for _, block := range consoleBlock.FindAllString(had, -1) {
			got += ran(onShare.Replace(block)) + "\n"
		}
		text, err := os.ReadFile(beside(file))
		if err != nil && !(*update && errors.Is(err, os.ErrNotExist)) {
			t.Fatal(err)
		}
		had = string(text)
	}
	figure, err := os.ReadFile("trial-ratio.svg")
	if err != nil || !strings.Contains(string(figure), "</svg>") {
		t.Errorf("the figure: %v, %d bytes", err, len(figure))
	}
	switch {
	case *update:
		err := os.WriteFile(beside(file), []byte(got), 0o644)
		if *whole {
			err = errors.Join(err, os.WriteFile(beside("trial-ratio.svg"), figure, 0o644))
		}
		if err != nil {
			t.Fatal(err)
		}
	case got != had:
		t.Errorf("%s: what the commands write has changed; after a look at it, go test -run Trial -update\n%s", file, firstDifference(got, had))
	}
	if !*whole {
		sameShape(t, string(doc), got)
	}
}

var numbers = regexp.MustCompile(`[-+]?\d+(\.\d+)?`)

// sameShape checks that the share has the headings of the whole, in their
// order, and the same sentences but for their numbers.
func sameShape(t *testing.T, whole, share string) {
	t.Helper()
	heading := func(line string) bool {
		return strings.Trim(line, "-. `") != "" && !strings.HasPrefix(line, "$ ") && !numbers.MatchString(line)
	}
	in := func(doc string) (lines, sentences []string) {
		for _, block := range consoleBlock.FindAllString(doc, -1) {
			for _, line := range strings.Split(block, "\n") {
				if line = strings.Join(strings.Fields(line), " "); heading(line) {
					lines = append(lines, line)
				}
			}
			if _, text, ok := strings.Cut(block, "$ Rscript "); ok {
				sentences = append(sentences, strings.Join(strings.Fields(numbers.ReplaceAllString(text, "#")), " "))
			}
		}
		return lines, sentences
	}
	want, says := in(whole)
	lines, sentences := in(share)
	for _, line := range want {
		at := slices.Index(lines, line)
		if at < 0 {
			t.Errorf("the share has no line %q at its place", line)
			continue
		}
		lines = lines[at+1:]
	}
	if len(says) != 1 || len(sentences) != 1 || says[0] != sentences[0] {
		t.Errorf("the sentences of the share are\n%q\nand of the whole\n%q", sentences, says)
	}
}
