package main

import (
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A parsedPackage is the syntax of a package's code, tests left out.
type parsedPackage struct {
	folder string // from root
	files  []*ast.File
	set    *token.FileSet
}

func parsePackage(t *testing.T, folder string) parsedPackage {
	t.Helper()
	p := parsedPackage{folder: folder, set: token.NewFileSet()}
	names, err := filepath.Glob(filepath.Join(root, folder, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		file, err := parser.ParseFile(p.set, name, text, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		p.files = append(p.files, file)
	}
	if len(p.files) == 0 {
		t.Fatalf("no code in %s", folder)
	}
	return p
}

// A namedWord is a word of the vocabulary: the value of a constant, and what the
// comment beside it says.
type namedWord struct{ word, meaning string }

// terms returns the constants that the package declares with the named type, in
// the order in which they stand there.
func (p parsedPackage) terms(t *testing.T, typeName string) []namedWord {
	t.Helper()
	var out []namedWord
	for _, file := range p.files {
		for _, decl := range file.Decls {
			group, ok := decl.(*ast.GenDecl)
			if !ok || group.Tok != token.CONST {
				continue
			}
			for _, s := range group.Specs {
				spec := s.(*ast.ValueSpec)
				if is, ok := spec.Type.(*ast.Ident); !ok || is.Name != typeName {
					continue
				}
				for i, value := range spec.Values {
					word, ok := literal(value)
					if !ok {
						t.Errorf("%s: %s is no literal: the reference cannot read it", p.folder, spec.Names[i].Name)
						continue
					}
					comment := spec.Comment.Text()
					if comment == "" {
						comment = spec.Doc.Text()
					}
					out = append(out, namedWord{word, strings.Join(strings.Fields(comment), " ")})
				}
			}
		}
	}
	if len(out) == 0 {
		t.Errorf("%s declares no constant of type %s", p.folder, typeName)
	}
	return out
}

// literal returns what a literal stands for.
func literal(e ast.Expr) (string, bool) {
	lit, ok := e.(*ast.BasicLit)
	if !ok {
		return "", false
	}
	switch v := constant.MakeFromLiteral(lit.Value, lit.Kind, 0); {
	case lit.Kind == token.STRING:
		return constant.StringVal(v), true
	case lit.Kind == token.CHAR:
		r, _ := constant.Int64Val(v)
		return string(rune(r)), true
	}
	return "", false
}

// A metric is one figure of /metrics.
type metric struct{ name, kind, labels, help string }

// metrics reads off the code of the live page what it counts: the options of
// collectors that keep their own count, and the descriptions of those that are
// read when asked for.
func (p parsedPackage) metrics(t *testing.T) []metric {
	t.Helper()
	var out []metric
	want := 0
	for _, file := range p.files {
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			name := ""
			switch f := call.Fun.(type) {
			case *ast.Ident:
				if f.Name == "desc" {
					name = f.Name
				}
			case *ast.SelectorExpr:
				if from, ok := f.X.(*ast.Ident); ok && from.Name == "prometheus" {
					name = f.Sel.Name
				}
			}
			kind := strings.ToLower(strings.TrimSuffix(strings.TrimPrefix(name, "New"), "Vec"))
			switch {
			case name == "desc" && len(call.Args) >= 2:
				words := make([]string, len(call.Args))
				for i, a := range call.Args {
					words[i], ok = literal(a)
					if !ok {
						t.Errorf("%s: a metric that is no literal", p.set.Position(a.Pos()))
					}
				}
				kind := "gauge"
				if strings.HasSuffix(words[0], "_total") {
					kind = "counter"
				}
				out = append(out, metric{"greywatt_" + words[0], kind, strings.Join(words[2:], ", "), words[1]})
				want++
			case kind == "histogram" || kind == "counter" || kind == "gauge" || kind == "summary":
				want++
				if options, ok := call.Args[0].(*ast.CompositeLit); ok {
					m := metric{kind: kind}
					for _, e := range options.Elts {
						pair := e.(*ast.KeyValueExpr)
						value, _ := literal(pair.Value)
						switch pair.Key.(*ast.Ident).Name {
						case "Name":
							m.name = value
						case "Help":
							m.help = value
						case "ConstLabels":
							m.labels = labels(pair.Value)
						}
					}
					if len(call.Args) > 1 {
						m.labels = labels(call.Args[1])
					}
					out = append(out, m)
				}
			}
			return true
		})
	}
	for _, m := range out {
		if m.name == "" || m.help == "" {
			t.Errorf("%s: metric without a name or help that the reference can read: %+v", p.folder, m)
		}
	}
	if len(out) == 0 || len(out) != want {
		t.Errorf("%s: %d metrics read, of %d", p.folder, len(out), want)
	}
	return out
}

// labels returns the texts of a list, or the keys of a map.
func labels(e ast.Expr) string {
	list, ok := e.(*ast.CompositeLit)
	if !ok {
		return ""
	}
	var out []string
	for _, item := range list.Elts {
		if pair, ok := item.(*ast.KeyValueExpr); ok {
			item = pair.Key
		}
		if word, ok := literal(item); ok {
			out = append(out, word)
		}
	}
	return strings.Join(out, ", ")
}

// charts returns the charts of the package: its types with a method write, each
// with the first sentence of its comment.
func (p parsedPackage) charts(t *testing.T) []namedWord {
	t.Helper()
	said := map[string]string{}
	for _, file := range p.files {
		for _, decl := range file.Decls {
			if group, ok := decl.(*ast.GenDecl); ok && group.Tok == token.TYPE {
				name := group.Specs[0].(*ast.TypeSpec).Name.Name
				doc := strings.Join(strings.Fields(group.Doc.Text()), " ")
				if first, _, ok := strings.Cut(doc, ". "); ok {
					doc = first + "."
				}
				_, what, _ := strings.Cut(doc, " "+name+" is ")
				said[name] = what
			}
		}
	}
	var out []namedWord
	for _, file := range p.files {
		for _, decl := range file.Decls {
			f, ok := decl.(*ast.FuncDecl)
			if !ok || f.Recv == nil || f.Name.Name != "write" {
				continue
			}
			name := f.Recv.List[0].Type.(*ast.Ident).Name
			if said[name] == "" {
				t.Errorf("%s.%s: no comment says what it shows", p.folder, name)
				continue
			}
			out = append(out, namedWord{strings.TrimSuffix(name, "Chart"), said[name]})
		}
	}
	if len(out) == 0 {
		t.Errorf("%s has no chart", p.folder)
	}
	return out
}

// composite returns the entries of a variable's composite literal.
func (p parsedPackage) composite(t *testing.T, variable string) []ast.Expr {
	t.Helper()
	var out []ast.Expr
	for _, file := range p.files {
		ast.Inspect(file, func(n ast.Node) bool {
			spec, ok := n.(*ast.ValueSpec)
			if !ok || spec.Names[0].Name != variable || len(spec.Values) != 1 {
				return true
			}
			if values, ok := spec.Values[0].(*ast.CompositeLit); ok {
				out = values.Elts
			}
			return false
		})
	}
	if len(out) == 0 {
		t.Errorf("%s: no list or map %s", p.folder, variable)
	}
	return out
}

// size returns how many entries a variable of the package lists.
func (p parsedPackage) size(t *testing.T, variable string) int { return len(p.composite(t, variable)) }

// list returns the texts that a variable of the package lists.
func (p parsedPackage) list(t *testing.T, variable string) []string {
	t.Helper()
	var out []string
	for _, e := range p.composite(t, variable) {
		word, ok := literal(e)
		if !ok {
			t.Errorf("%s: %s lists something else than texts", p.folder, variable)
		}
		out = append(out, word)
	}
	return out
}

// counted returns the comments beside constants that count up from the first of
// the named type.
func (p parsedPackage) counted(t *testing.T, typeName string) []string {
	t.Helper()
	for _, file := range p.files {
		for _, decl := range file.Decls {
			group, ok := decl.(*ast.GenDecl)
			if !ok || group.Tok != token.CONST {
				continue
			}
			first := group.Specs[0].(*ast.ValueSpec)
			if is, ok := first.Type.(*ast.Ident); !ok || is.Name != typeName {
				continue
			}
			var out []string
			for _, s := range group.Specs {
				spec := s.(*ast.ValueSpec)
				if len(out) > 0 && spec.Values != nil {
					break
				}
				out = append(out, strings.TrimSpace(spec.Comment.Text()))
			}
			return out
		}
	}
	t.Fatalf("%s: no constants of type %s that count up", p.folder, typeName)
	return nil
}
