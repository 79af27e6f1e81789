package studyfile

import (
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Every key that the reader asks for is among the keys, and none besides: the
// keys are taken from the reader's source.
func TestKeysAreAll(t *testing.T) {
	asked := map[string]bool{}
	for _, source := range []string{"dwelling.go", "sensor.go", "table.go", "publication.go"} {
		file, err := parser.ParseFile(token.NewFileSet(), source, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) == 0 {
				return true
			}
			method, ok := call.Fun.(*ast.SelectorExpr)
			if !ok || !slices.Contains([]string{"text", "number", "date", "timezone"}, method.Sel.Name) {
				return true
			}
			if name, ok := call.Args[0].(*ast.BasicLit); ok {
				s, err := strconv.Unquote(name.Value)
				if err != nil {
					t.Fatal(err)
				}
				asked[s] = true
			}
			return true
		})
	}
	keys := Keys()
	if len(keys) != len(keyMeanings) {
		t.Errorf("%d keys, and %d with a meaning", len(keys), len(keyMeanings))
	}
	listed := map[string]bool{}
	for _, k := range keys {
		last := k.Path[strings.LastIndexByte(k.Path, '.')+1:]
		if listed[last] = true; !asked[last] {
			t.Errorf("%s is not asked for", k.Path)
		}
		if k.Type == "" || k.Meaning == "" {
			t.Errorf("%s: type %q, meaning %q", k.Path, k.Type, k.Meaning)
		}
	}
	for name := range asked {
		if !listed[name] {
			t.Errorf("%s has no meaning: add it to keyMeanings", name)
		}
	}
}

// Defaults are those that stand in the place of what a file does not say.
func TestKeysDefaults(t *testing.T) {
	want := map[string]string{
		"study.timezone":                 `"UTC"`,
		"dwelling.heater.efficiency":     "0.9",
		"dwelling.heater.price_per_kwh":  "",
		"dwelling.sensor.u95_k":          "0.5",
		"dwelling.sensor.u95_relative":   "0.05",
		"dwelling.sensor.scale":          "1",
		"dwelling.exchanger.orientation": `"vertical"`,

		"dwelling.exchanger.rated_cold_in_c":  "12",
		"dwelling.exchanger.rated_waste_in_c": "40",
	}
	for _, k := range Keys() {
		if d, ok := want[k.Path]; ok && d != k.Default {
			t.Errorf("%s: default %s, want %s", k.Path, k.Default, d)
		}
		if want := slices.Contains([]string{"dwelling.id", "dwelling.connection", "dwelling.exchanger.rated.flow_l_min", "dwelling.exchanger.rated.effectiveness", "dwelling.sensor.channel", "dwelling.cleaned.on",
			"dataset.title", "dataset.licence", "dataset.publisher", "dataset.published", "dataset.contributor.name", "dataset.funding.funder"}, k.Path); k.Required != want {
			t.Errorf("%s: required %v", k.Path, k.Required)
		}
	}
}
