package sheet

import (
	"reflect"
	"testing"

	"greywatt"
	"greywatt/plots"
)

// A record that was kept says the same again, without what the journal got later.
func TestRecordIsReadAgain(t *testing.T) {
	in := input()
	in.Answers[2] = Answer{Is: No, Remark: "no valve"}
	in.Remarks, in.Serial = "windy", "S 17"
	in.Photos = map[string][]byte{"label": []byte("a photo")}
	in.Engineer = plots.Signature{Name: "K", Date: "2 March 2026", Strokes: [][][2]float64{{{0.1, 0.25}, {0.3, 0.5}}}}
	at := greywatt.InstantOfUnix(1.772e9).Add(0.123456)
	made := NewRecord(in, "one", at, 3)
	made.Noted = "made"
	folder := Folder(t.TempDir() + "/new")
	for _, dwelling := range []string{"larch:04", "larch"} {
		if got := folder.Sheets(dwelling); got != nil {
			t.Errorf("%s has %v before any is kept", dwelling, got)
		}
	}
	if err := folder.Keep("larch:04", made); err != nil {
		t.Fatal(err)
	}
	if err := folder.KeepSheet("larch:04", "one", in); err != nil {
		t.Fatal(err)
	}
	if got := folder.Sheets("larch:04"); len(got) != 1 || got[0] != "larch_04..one.pdf" || folder.Sheets("larch") != nil {
		t.Errorf("sheets %v", got)
	}
	read, err := folder.Record("larch:04", "one")
	if err != nil || !reflect.DeepEqual(read, made) {
		t.Fatalf("%v, read %+v, kept %+v", err, read, made)
	}
	later := *made
	later.ID, later.Events = "two", []string{"another"}
	if err := folder.Keep("larch:04", &later); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		events []string
		want   string
	}{{nil, "two"}, {made.Events, "one"}, {later.Events, "two"}, {[]string{"none"}, ""}} {
		r, err := folder.Newest("larch:04", test.events)
		if err != nil || (r == nil) != (test.want == "") || r != nil && r.ID != test.want {
			t.Errorf("of %v: %v, %v, want %q", test.events, r, err, test.want)
		}
	}

	again := input()
	facts := []greywatt.Fact{{ID: "before", Noted: at - 1}, {ID: "one", Noted: at}, {ID: "after", Noted: at + 1, At: at - 5}, {ID: "by hand", At: at}, {ID: "by hand later", At: at + 1}}
	again.Facts = facts
	read.Fill(again)
	if !reflect.DeepEqual(again.Answers, in.Answers) || again.Serial != "S 17" || Code(again) != made.Code || string(again.Photos["label"]) != "a photo" {
		t.Errorf("answers %v, serial %q, code %s, want %s", again.Answers, again.Serial, Code(again), made.Code)
	}
	if len(again.Facts) != 2 || again.Facts[0].ID != "before" || again.Facts[1].ID != "by hand" || len(facts) != 5 {
		t.Errorf("facts %v", again.Facts)
	}
}
