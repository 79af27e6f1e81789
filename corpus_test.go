package greywatt_test

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

// corpus returns what an earlier run of the fuzz test found worth keeping: a
// quoted line each in testdata, beside the seeds that are written out.
func corpus(f *testing.F) (inputs []string) {
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
