package analysis_test

import (
	"flag"
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the constants of METHOD.md anew")

// methodPackages are the packages that METHOD.md speaks of, by name.
var methodPackages = map[string]string{
	"greywatt": "..", "event": "event", "finding": "finding", "monitor": "monitor", "commission": "commission",
	"cleaning": "cleaning", "summary": "summary", "annual": "annual", "completeness": "completeness", "zerocheck": "zerocheck", "health": "health",
	"clamp": "clamp", "draw": "draw", "exchanger": "exchanger", "trend": "trend", "uncert": "uncert", "water": "water",
}

// declared is what a package declares: constants with their values, local ones
// too, and functions, types and methods by name.
type declared struct {
	constants map[string][]constant.Value
	names     map[string]bool
}

func declarations(t *testing.T, folder string) declared {
	t.Helper()
	d := declared{map[string][]constant.Value{}, map[string]bool{}}
	set := token.NewFileSet()
	files, err := filepath.Glob(filepath.Join(folder, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	var parsed []*ast.File
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		parsed = append(parsed, file)
		for _, decl := range file.Decls {
			switch decl := decl.(type) {
			case *ast.FuncDecl:
				name := decl.Name.Name
				if decl.Recv != nil {
					is := decl.Recv.List[0].Type
					if star, ok := is.(*ast.StarExpr); ok {
						is = star.X
					}
					if generic, ok := is.(*ast.IndexExpr); ok {
						is = generic.X
					}
					name = is.(*ast.Ident).Name + "." + name
				}
				d.names[name] = true
			case *ast.GenDecl:
				for _, s := range decl.Specs {
					if s, ok := s.(*ast.TypeSpec); ok {
						d.names[s.Name.Name] = true
					}
				}
			}
		}
	}
	// Imports are not followed: constants of numbers need none.
	info := types.Info{Defs: map[*ast.Ident]types.Object{}}
	checker := types.Config{Importer: noImports{}, Error: func(error) {}}
	_, _ = checker.Check(folder, set, parsed, &info)
	for _, object := range info.Defs {
		if c, ok := object.(*types.Const); ok && c.Val().Kind() != constant.Unknown {
			d.constants[c.Name()] = append(d.constants[c.Name()], c.Val())
		}
	}
	return d
}

type noImports struct{}

func (noImports) Import(path string) (*types.Package, error) {
	return nil, fmt.Errorf("%s is not followed", path)
}

// METHOD.md has the constants as the code has them, and the functions that it
// names exist.
func TestMethod(t *testing.T) {
	text, err := os.ReadFile("METHOD.md")
	if err != nil {
		t.Fatal(err)
	}
	code := map[string]declared{}
	for name, folder := range methodPackages {
		code[name] = declarations(t, folder)
	}
	constants := 0
	row := regexp.MustCompile("(?m)^\\| `(\\w+)\\.(\\w+)` \\| ([^|]*) \\|")
	got := row.ReplaceAllStringFunc(string(text), func(line string) string {
		m := row.FindStringSubmatch(line)
		constants++
		values := code[m[1]].constants[m[2]]
		if len(values) != 1 {
			t.Errorf("%s.%s: %d constants of that name, want one", m[1], m[2], len(values))
			return line
		}
		f, _ := constant.Float64Val(constant.ToFloat(values[0]))
		return fmt.Sprintf("| `%s.%s` | %.10g |", m[1], m[2], f)
	})
	if constants < 50 {
		t.Errorf("%d constants found in METHOD.md", constants)
	}
	if *update {
		if err := os.WriteFile("METHOD.md", []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if got != string(text) {
		for i, line := range strings.Split(got, "\n") {
			if was := strings.Split(string(text), "\n")[i]; was != line {
				t.Errorf("METHOD.md says\n\t%s\nand the code\n\t%s", was, line)
			}
		}
	}

	functions := 0
	word := regexp.MustCompile(`\b(greywatt|event|finding|monitor|commission|cleaning|summary|completeness|zerocheck|health|clamp|draw|exchanger|trend|uncert|water)((?:\.[A-Za-z]\w*){1,2})\b`)
	for _, m := range word.FindAllStringSubmatch(string(text), -1) {
		name := m[2][1:]
		if values := code[m[1]].constants[name]; len(values) > 0 {
			continue
		}
		functions++
		if !code[m[1]].names[name] {
			t.Errorf("METHOD.md speaks of %s.%s, which the code does not have", m[1], name)
		}
	}
	if functions < 30 {
		t.Errorf("%d functions and types found in METHOD.md", functions)
	}
}
