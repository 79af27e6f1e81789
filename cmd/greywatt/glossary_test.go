package main

import (
	"go/ast"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The glossary explains every heading of a table, and every word for a kind of
// event, a finding or a verdict.
func TestGlossary(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "GLOSSARY.md"))
	if err != nil {
		t.Fatal(err)
	}
	all := strings.Join(strings.Fields(string(text)), " ")
	_, tables, ok := strings.Cut(all, "## Tables")
	if !ok {
		t.Fatal("no section on tables")
	}
	headings := 0
	for _, file := range parsePackage(t, "cmd/greywatt").files {
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			if f, ok := call.Fun.(*ast.SelectorExpr); !ok || f.Sel.Name != "NewTable" {
				return true
			}
			ast.Inspect(call, func(n ast.Node) bool {
				lit, ok := n.(ast.Expr)
				if !ok {
					return true
				}
				word, ok := literal(lit)
				word = strings.TrimPrefix(word, ">")
				if !ok || word == "" {
					return true
				}
				headings++
				if !strings.Contains(tables, word) {
					t.Errorf("GLOSSARY.md does not explain the heading %q", word)
				}
				return true
			})
			return false
		})
	}
	if headings < 20 {
		t.Errorf("%d headings found", headings)
	}
	folded := strings.ToLower(all)
	for _, at := range [][2]string{{"analysis/event", "Kind"}, {"analysis/finding", "Code"}, {"analysis/commission", "Verdict"}, {"analysis/cleaning", "Verdict"}} {
		for _, w := range parsePackage(t, at[0]).terms(t, at[1]) {
			plain := strings.ReplaceAll(w.word, "-", " ")
			if !strings.Contains(folded, w.word) && !strings.Contains(folded, plain) {
				t.Errorf("GLOSSARY.md does not explain %q", w.word)
			}
		}
	}
	for c := range strings.SplitSeq("A B C", " ") {
		if !strings.Contains(all, " "+c+": ") {
			t.Errorf("GLOSSARY.md does not explain connection %s", c)
		}
	}
}
