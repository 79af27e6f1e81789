package cli

import (
	"strings"
	"testing"
)

func TestTable(t *testing.T) {
	table := NewTable("NAME", ">VALUE", "NOTE")
	table.Add("a", "1.5", "")
	table.Add("längst", "10.25", "ok")
	var out strings.Builder
	if err := table.Write(&out); err != nil {
		t.Fatal(err)
	}
	want := `NAME    VALUE  NOTE
a         1.5
längst  10.25  ok
`
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}
