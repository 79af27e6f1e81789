package ingest

import "testing"

func TestMentions(t *testing.T) {
	for text, want := range map[string]bool{
		"greywatt/larch-04/n1/senml": true, "larch-04": true, "larch-041": false, "xlarch-04": false,
		"larch-041 and larch-04": true, "": false, `{"bn":"larch-04/n1/"}`: true, "larch-04-b": false,
	} {
		if got := Mentions(text, "larch-04"); got != want {
			t.Errorf("Mentions(%q) = %t", text, got)
		}
	}
}
