// Package fuzzcorpus reads what fuzzing once found worth keeping, for the fuzz tests
// of several packages.
package fuzzcorpus

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

// Read returns the inputs kept in the test's testdata folder as NAME.corpus, a
// quoted line each, beside the seeds that are written out.
func Read(f *testing.F) (inputs []string) {
	f.Helper()
	text, err := os.ReadFile("testdata/" + f.Name() + ".corpus")
	if err != nil {
		f.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		input, err := strconv.Unquote(strings.TrimSuffix(line, "\n"))
		if err != nil {
			f.Fatalf("%s.corpus: %s: %v", f.Name(), line, err)
		}
		inputs = append(inputs, input)
	}
	return inputs
}
