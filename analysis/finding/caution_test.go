package finding

import (
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strconv"
	"strings"
	"testing"

	"greywatt"
)

// What each finding's remedy touches. A finding whose remedy changes how warm the
// preheated water is, or who gets it, has the cautions for scald and legionella; one
// whose remedy opens pipes that for licensed work; one whose remedy is cleaning that
// for cleaning agents; one that has somebody work at a clamp that for tools.
var remedies = map[Code]struct{ preheat, pipe, clean, tools bool }{
	Fouling:              {preheat: true, clean: true},
	StepLoss:             {preheat: true, pipe: true},
	LowFromStart:         {preheat: true, pipe: true},
	ParallelFlow:         {preheat: true, pipe: true},
	NoRecovery:           {preheat: true, pipe: true},
	ConnectionDiffers:    {preheat: true, pipe: true},
	BypassAtTimes:        {preheat: true, pipe: true},
	SupplySensorsSwapped: {preheat: true, pipe: true}, // the pipes may be crossed, not the clamps
	WasteSensorsSwapped:  {},
	SensorLoose:          {tools: true},
	SensorDrifting:       {tools: true},
	SensorDead:           {tools: true},
	FlowOffScale:         {},
	Leak:                 {pipe: true},
	Healthy:              {},
	Undecided:            {},
}

func TestCautionsOfEveryFinding(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "finding.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	ast.Inspect(file, func(at ast.Node) bool {
		spec, ok := at.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if of, ok := spec.Type.(*ast.Ident); !ok || of.Name != "Code" {
			return true
		}
		word, err := strconv.Unquote(spec.Values[0].(*ast.BasicLit).Value)
		if err != nil {
			t.Fatal(err)
		}
		n++
		code := Code(word)
		of, known := remedies[code]
		if !known {
			t.Errorf("%s: say in remedies what its remedy touches", code)
			return true
		}
		for c := range greywatt.Channel(greywatt.NumPorts) {
			advice, cautions := adviseChannel(code, c)
			for caution, want := range map[string]bool{CautionScald: of.preheat, CautionStale: of.preheat, CautionPipe: of.pipe, cautionClean: of.clean, cautionTools: of.tools} {
				if want && !slices.Contains(cautions, caution) {
					t.Errorf("%s: %q lacks the caution %q", code, advice, caution)
				}
			}
		}
		return true
	})
	if n != len(remedies) || n < 10 {
		t.Errorf("%d findings, %d remedies", n, len(remedies))
	}
	// A meter is in the pipe.
	for _, code := range []Code{SensorDrifting, SensorDead} {
		if _, cautions := adviseChannel(code, greywatt.Flow); !slices.Contains(cautions, CautionPipe) {
			t.Errorf("%s of a meter lacks %q", code, CautionPipe)
		}
	}
	for _, want := range []string{"gloves", "ventilate", "no acid on copper", "never mix"} {
		if !strings.Contains(cautionClean, want) {
			t.Errorf("the caution for cleaning lacks %q", want)
		}
	}
}
