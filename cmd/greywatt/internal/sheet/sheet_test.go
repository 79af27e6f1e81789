package sheet

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/plots"
)

func input() *Input {
	d := greywatt.Dwelling{ID: "larch-04", Connection: greywatt.ConnectionA, Exchanger: greywatt.Exchanger{Orientation: greywatt.Vertical, Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: 0.57}}},
		Sensors: []greywatt.Sensor{{Channel: greywatt.WasteIn, Node: "n1", OffsetK: 0.12, U95K: 0.3, Scale: 1}}}
	study := &greywatt.Study{Name: "Larch Row", Timezone: time.UTC, Dwellings: []greywatt.Dwelling{d}}
	e := event.New()
	e.ID, e.Effectiveness, e.EffectivenessU95, e.Ratio, e.RatioU95, e.SteadyS, e.Start = "larch-04-20260302T070000Z", 0.45, 0.02, 0.79, 0.04, 300, greywatt.InstantOf(time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC))
	answers := make([]Answer, len(Checks))
	for i := range answers {
		answers[i].Is = Yes
	}
	return &Input{Study: study, Dwelling: &study.Dwellings[0], Events: []event.Event{e}, Answers: answers, Version: "1.2.3",
		Result: &commission.Result{Dwelling: "larch-04", Verdict: commission.Fail, Reason: "0.79 ± 0.04 of what the certificate gives", Events: []string{e.ID}, Effectiveness: 0.45, Ratio: 0.79, LeastRatio: 0.92},
		Facts: []greywatt.Fact{
			{ID: "1", Dwelling: "larch-04", Kind: greywatt.FactCleaned, At: e.Start, By: "kim", Text: "much hair"},
			{ID: "2", Dwelling: "larch-05", Kind: greywatt.FactNote, At: e.Start, Text: "another dwelling's"},
		}}
}

// The second page has the record; what is of another dwelling is not in it.
func TestRecord(t *testing.T) {
	in := input()
	s := Make(in)
	var all strings.Builder
	for _, part := range s.Sections {
		all.WriteString(part.Title + "\n" + strings.Join(part.Items, "\n") + "\n")
	}
	for _, want := range []string{"waste in: offset +0.12 K, ± 0.30 K", "cold in: offset +0.00 K, ± 0.50 K", "flow: scale 1.000, ± 5.0 %", "larch-04-20260302T070000Z: effectiveness 0.450 ± 0.020", "2 March 2026, 07:00: cleaned: much hair (kim)"} {
		if !strings.Contains(all.String(), want) {
			t.Errorf("the record does not say %q:\n%s", want, &all)
		}
	}
	if strings.Contains(all.String(), "another dwelling") {
		t.Error("a fact of another dwelling is on the sheet")
	}
	if !strings.Contains(s.Footer, "Check code "+Code(in)) {
		t.Errorf("footer %q", s.Footer)
	}
	var pdf bytes.Buffer
	if err := plots.Write(&pdf, plots.Output{Format: plots.PDF}, s); err != nil || !bytes.HasPrefix(pdf.Bytes(), []byte("%PDF-")) {
		t.Errorf("PDF: %v", err)
	}
}

// "No" beside a shortfall is named where it can explain it, and only there.
func TestBlame(t *testing.T) {
	in := input()
	if s := Make(in); strings.Contains(s.Verdict, "handover") {
		t.Errorf("nothing was answered no: %q", s.Verdict)
	}
	in.Answers[0] = Answer{Is: No, Remark: "leans"}
	in.Answers[6].Is = No // the pressure test explains no shortfall
	s := Make(in)
	if !strings.Contains(s.Verdict, "The unit is upright and plumb, and fixed top and bottom (leans)") || strings.Contains(s.Verdict, "pressure") {
		t.Errorf("verdict %q", s.Verdict)
	}
	in.Result.Verdict = commission.Pass
	if s := Make(in); strings.Contains(s.Verdict, "handover") {
		t.Errorf("there is no shortfall: %q", s.Verdict)
	}
}

// Each thing that is signed for changes the code.
func TestCode(t *testing.T) {
	first := Code(input())
	if again := Code(input()); again != first || len(first) != 19 {
		t.Errorf("%q, then %q", first, again)
	}
	for name, change := range map[string]func(*Input){
		"a figure":  func(in *Input) { in.Result.Ratio += 0.001 },
		"an event":  func(in *Input) { in.Result.Events = append(in.Result.Events, "another") },
		"an answer": func(in *Input) { in.Answers[3].Is = No },
		"a remark":  func(in *Input) { in.Answers[3].Remark = "x" },
		"a name":    func(in *Input) { in.Resident.Name = "R" },
		"the unit":  func(in *Input) { in.Serial = "7" },
		"a photo":   func(in *Input) { in.Photos = map[string][]byte{"label": []byte("x")} },
		"the place": func(in *Input) { in.Dwelling.Exchanger.Place = "loft" },
	} {
		in := input()
		change(in)
		if Code(in) == first {
			t.Errorf("%s does not change the code", name)
		}
	}
}
