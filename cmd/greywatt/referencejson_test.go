package main

import (
	"go/ast"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// jsonTypes are the types of the objects that the commands write with --json.
var jsonTypes = []struct {
	command, what string
	types         []string // none: the columns of events.csv
}{
	{"events", "a line an event", nil},
	{"summary", "a line a dwelling, with `--by month` one a month of it too, then those of connections and groups, then the study's", []string{"sumJSON"}},
	{"trend", "a line a dwelling", []string{"trendJSON"}},
	{"diagnose", "a line a finding", []string{"findingJSON"}},
	{"notes", "a line a fact", []string{"noteJSON"}},
	{"alarms", "a line an alarm", []string{"alarmJSON"}},
	{"offsets", "a line a clamp", []string{"offsetJSON"}},
	{"offsets", "where a dwelling has not rested long enough, this instead", []string{"noOffsetJSON"}},
	{"rejected", "first a line a count", []string{"rejectedCountJSON"}},
	{"rejected", "then a line a record, the newest first", []string{"rejectedRecordJSON"}},
	{"rejected", "then a line a conflict, the newest first", []string{"conflictJSON"}},
	{"readmit", "a line a node and reason", []string{"quarantineJSON"}},
	{"check", "one object", []string{"checkJSON"}},
	{"import", "one object", []string{"importJSON"}},
	{"plan", "one line", []string{"planJSON"}},
	{"clocks", "a line a clock", []string{"clockJSON"}},
	{"clocks", "then a line a node without one", []string{"arrivalJSON"}},
	{"commission", "one object", []string{"commissionJSON"}},
	{"budget", "one object", []string{"budgetJSON"}},
}

// jsonOneOf says what a field holds that may hold several types.
var jsonOneOf = map[string][]string{
	"sumJSON.Effectiveness": {"estimateJSON", "spreadJSON"},
	"sumJSON.Pooled":        {"pooledJSON"},
	"sumJSON.Year":          {"yearJSON"},
}

var jsonWords = map[string]string{"estimateJSON": "of a dwelling: ", "spreadJSON": "of the study: "}

// json writes which keys the objects have.
func (r *reference) json(t *testing.T, code parsedPackage) {
	r.line("## JSON\n")
	r.line("What the commands write with `--json`: UTF-8, an object a line unless it says otherwise. A key ends in its unit, one without is")
	r.line("a share, a count or a word. `null` is not known. Keys may be added; none changes its meaning. Times are RFC 3339 in UTC.\n")
	for _, j := range jsonTypes {
		r.line("**`greywatt %s --json`**: %s.\n", j.command, j.what)
		if j.types == nil {
			r.line("Its keys are the columns of [events.csv](#eventscsv), numbers as numbers, `null` for an empty number.\n")
			continue
		}
		rows := [][]string{}
		for _, name := range j.types {
			rows = append(rows, code.jsonRows(t, name, "", "")...)
		}
		r.table([]string{"key", "is", "meaning"}, rows)
	}
	for _, c := range commands() {
		said := slices.ContainsFunc(jsonTypes, func(j struct {
			command, what string
			types         []string
		}) bool {
			return j.command == c.Name
		})
		if has := c.Flags().Lookup("json") != nil; has != said {
			t.Errorf("%s: has --json: %t; its keys are listed: %t", c.Name, has, said)
		}
	}
}

// jsonRows lists the keys of a struct and of those in it.
func (p parsedPackage) jsonRows(t *testing.T, typeName, path, word string) [][]string {
	t.Helper()
	var rows [][]string
	for _, f := range p.structType(t, typeName).Fields.List {
		tag, err := strconv.Unquote(f.Tag.Value)
		if err != nil {
			t.Fatal(err)
		}
		key, options, _ := strings.Cut(reflect.StructTag(tag).Get("json"), ",")
		meaning := strings.Join(strings.Fields(f.Comment.Text()), " ")
		if meaning == "" {
			t.Errorf("%s: %s has no comment beside it", typeName, key)
		}
		is, inside, list := jsonKind(t, f.Type)
		if options == "omitempty" {
			is += ", or left out"
		}
		at := path + key
		rows = append(rows, []string{quote(at), is, word + meaning})
		if list {
			at += "[]"
		}
		if inside != "" {
			rows = append(rows, p.jsonRows(t, inside, at+".", word)...)
		}
		for _, one := range jsonOneOf[typeName+"."+f.Names[0].Name] {
			rows = append(rows, p.jsonRows(t, one, at+".", jsonWords[one])...)
		}
	}
	return rows
}

// jsonKind says what stands in JSON for a field's type, of which struct, if of
// any, and whether of a list of them.
func jsonKind(t *testing.T, e ast.Expr) (is, inside string, list bool) {
	t.Helper()
	switch e := e.(type) {
	case *ast.StarExpr:
		is, inside, _ := jsonKind(t, e.X)
		if is == "text" {
			is = "text or null"
		}
		return strings.TrimSuffix(is, " or null") + strings.Repeat(" or null", strings.Count(is, "text or")), inside, false
	case *ast.ArrayType:
		is, inside, _ := jsonKind(t, e.Elt)
		return "list: " + is, inside, true
	case *ast.MapType:
		return "object: number by word", "", false
	case *ast.SelectorExpr:
		if e.Sel.Name == "Known" {
			return "number or null", "", false
		}
	case *ast.Ident:
		switch e.Name {
		case "string":
			return "text", "", false
		case "int", "int64":
			return "integer", "", false
		case "bool":
			return "true or false", "", false
		case "float64":
			return "number", "", false
		case "any":
			return "object", "", false
		}
		return "object", e.Name, false
	}
	t.Fatalf("no word for what a %T is in JSON", e)
	return "", "", false
}

// structType finds a struct of the package.
func (p parsedPackage) structType(t *testing.T, name string) *ast.StructType {
	t.Helper()
	for _, file := range p.files {
		if o := file.Scope.Lookup(name); o != nil {
			if s, ok := o.Decl.(*ast.TypeSpec); ok {
				return s.Type.(*ast.StructType)
			}
		}
	}
	t.Fatalf("%s has no type %s", p.folder, name)
	return nil
}
