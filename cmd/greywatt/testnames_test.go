package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// A testIndex knows the tests, benchmarks and test flags of every package, by
// its folder from root.
type testIndex struct {
	names map[string][]string
	flags map[string][]string
}

func readTests(t *testing.T) testIndex {
	t.Helper()
	index := testIndex{map[string][]string{}, map[string][]string{}}
	function := regexp.MustCompile(`(?m)^func ((?:Test|Benchmark|Fuzz|Example)\w*)\(`)
	option := regexp.MustCompile(`flag\.\w+\("([a-z-]+)"`)
	for name, text := range texts(t, ".go") {
		dir := filepath.ToSlash(filepath.Dir(name))
		if index.names[dir] == nil {
			index.names[dir] = []string{}
		}
		if !strings.HasSuffix(name, "_test.go") {
			continue
		}
		for _, m := range function.FindAllStringSubmatch(text, -1) {
			index.names[dir] = append(index.names[dir], m[1])
		}
		for _, m := range option.FindAllStringSubmatch(text, -1) {
			index.flags[dir] = append(index.flags[dir], m[1])
		}
	}
	return index
}

// The flags of go test itself that documents use; with whether a value follows.
var goTestFlags = map[string]bool{
	"run": true, "cpu": true, "bench": true, "benchtime": true, "count": true, "timeout": true, "fuzz": true, "fuzztime": true, "fuzzminimizetime": true, "p": true,
	"v": false, "short": false, "race": false, "benchmem": false,
}

// check reports what is wrong with the arguments of a go test.
func (x testIndex) check(args []string) error {
	var packages []string
	patterns := map[string]string{}
	var own []string
	for i := 0; i < len(args); i++ {
		name, isFlag := strings.CutPrefix(args[i], "-")
		switch takes, known := goTestFlags[name]; {
		case !isFlag && strings.HasPrefix(args[i], "."):
			packages = append(packages, args[i])
		case !isFlag: // the value of a flag of the package's own
		case !known:
			own = append(own, name)
		case takes && i+1 < len(args):
			i++
			patterns[name] = args[i]
		case takes:
			return fmt.Errorf("-%s without a value", name)
		}
	}
	if len(packages) == 0 {
		packages = []string{"./..."}
	}
	var names, flags []string
	for _, p := range packages {
		dirs := x.match(p)
		if len(dirs) == 0 {
			return fmt.Errorf("no package %s", p)
		}
		for _, d := range dirs {
			names, flags = append(names, x.names[d]...), append(flags, x.flags[d]...)
		}
	}
	for _, f := range own {
		if !slices.Contains(flags, f) {
			return fmt.Errorf("no flag -%s in the tests of %s", f, strings.Join(packages, " "))
		}
	}
	for flag, pattern := range patterns {
		prefixes, wanted := []string{"Test", "Example", "Fuzz"}, flag == "run" || flag == "bench" || flag == "fuzz"
		switch {
		case !wanted, flag == "run" && patterns["bench"] != "" && (pattern == "xxx" || pattern == "^$"):
			continue // the pattern that no test has, to run benchmarks alone
		case flag == "bench":
			prefixes = []string{"Benchmark"}
		case flag == "fuzz":
			prefixes = []string{"Fuzz"}
		}
		for alternative := range strings.SplitSeq(pattern, "|") {
			first, _, _ := strings.Cut(alternative, "/")
			re, err := regexp.Compile(first)
			if err != nil {
				return err
			}
			if !slices.ContainsFunc(names, func(n string) bool {
				return re.MatchString(n) && slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(n, p) })
			}) {
				return fmt.Errorf("-%s %s matches nothing in %s", flag, alternative, strings.Join(packages, " "))
			}
		}
	}
	return nil
}

// match returns the folders that a package pattern means.
func (x testIndex) match(pattern string) []string {
	dir, all := strings.CutSuffix(pattern, "...")
	dir = filepath.ToSlash(filepath.Clean(dir))
	var out []string
	for d := range x.names {
		if d == dir || all && (dir == "." || strings.HasPrefix(d, dir+"/")) {
			out = append(out, d)
		}
	}
	return out
}

// What is checked fails where it should.
func TestCheckOfCommands(t *testing.T) {
	tests := readTests(t)
	for _, line := range []string{
		"greywatt exprt", "greywatt events --dweling x", "greywatt events --kind bath", "greywatt help exprt",
		"sudo greywatt evnts", "make | greywatt evnts", "source <(greywatt complete bash)", "go run ./cmd/greywatt dem",
	} {
		us := usages(line)
		if len(us) != 1 || parses(us[0].words) == nil {
			t.Errorf("%q passes: %q", line, us)
		}
	}
	for _, line := range []string{
		"go test ./nosuch", "go test -run NoSuchTest ./analysis", "go test -run 'Accuracy|NoSuch' ./analysis",
		"go test -bench NoSuch ./ingest/store", "go test -nosuch 3 ./analysis", "go test ./analysis/...  -bench",
	} {
		us := usages(line)
		if len(us) != 1 {
			t.Errorf("%q: %q", line, us)
		} else if strings.HasSuffix(line, "-bench") { // an explanation to the right, by two blanks
			if err := tests.check(us[0].words); err != nil {
				t.Errorf("%q: %v", line, err)
			}
		} else if tests.check(us[0].words) == nil {
			t.Errorf("%q passes", line)
		}
	}
}

var (
	link    = regexp.MustCompile(`\]\(([^)\s]+)\)`)
	heading = regexp.MustCompile(`(?m)^#+ +(.*)$`)
	fence   = regexp.MustCompile("(?s)(?m)^```.*?^```")
)

// anchors returns what a document's headings are linked by.
func anchors(document string) []string {
	var out []string
	for _, m := range heading.FindAllStringSubmatch(fence.ReplaceAllString(document, ""), -1) {
		kept := strings.Map(func(r rune) rune {
			switch {
			case r == ' ':
				return '-'
			case r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r > 127:
				return r
			}
			return -1
		}, strings.ToLower(m[1]))
		out = append(out, kept)
	}
	return out
}

// Every link within the repository leads somewhere, and every file of it that a
// document names is there.
func TestLinks(t *testing.T) {
	docs := texts(t, ".md")
	bases := map[string]bool{}
	for name := range texts(t, ".go", ".md") {
		bases[filepath.Base(name)] = true
	}
	top, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	var folders []string
	for _, e := range top {
		if e.IsDir() {
			folders = append(folders, e.Name())
		}
	}
	path := regexp.MustCompile(`^[A-Za-z0-9_.*-]+(/[A-Za-z0-9_.*-]+)*/?$`)
	links, files := 0, 0
	for name, text := range docs {
		here := filepath.Join(root, filepath.Dir(name))
		for _, m := range link.FindAllStringSubmatch(fence.ReplaceAllString(text, ""), -1) {
			target, anchor, _ := strings.Cut(m[1], "#")
			if strings.Contains(target, "://") || strings.HasPrefix(target, "mailto:") {
				continue
			}
			links++
			said := text
			if target != "" {
				if _, err := os.Stat(filepath.Join(here, target)); err != nil {
					t.Errorf("%s: link to %s: %v", name, m[1], err)
					continue
				}
				said = docs[filepath.ToSlash(filepath.Join(filepath.Dir(name), target))]
			}
			if anchor != "" && !slices.Contains(anchors(said), anchor) {
				t.Errorf("%s: link to %s: no such heading", name, m[1])
			}
		}
		for _, piece := range code(text) {
			if !piece.inline || !path.MatchString(piece.text) {
				continue
			}
			first, _, below := strings.Cut(piece.text, "/")
			switch ext := filepath.Ext(piece.text); {
			case below && slices.Contains(folders, first):
				files++
				if found, err := filepath.Glob(filepath.Join(root, piece.text)); err != nil || len(found) == 0 {
					if _, err := os.Stat(filepath.Join(here, piece.text)); err != nil {
						t.Errorf("%s: no file %s", name, piece.text)
					}
				}
			case !below && (ext == ".go" || ext == ".md") && !strings.Contains(piece.text, "*"):
				files++
				if !bases[piece.text] {
					t.Errorf("%s: no file %s anywhere", name, piece.text)
				}
			}
		}
	}
	t.Logf("%d links, %d names of files in %d documents", links, files, len(docs))
	if links == 0 || files == 0 {
		t.Error("no links or no names of files found: the documents have some")
	}
}
