// Package sheet makes the sheet that stays on site after a commissioning check: the
// figures, the handover checks, the record behind them, and a code over all of it.
package sheet

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"greywatt"
	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/plots"
	"greywatt/plots/wording"
)

// An Input is what a sheet is made of. Answers are in the order of [Checks]; nil
// leaves the handover out.
type Input struct {
	Study    *greywatt.Study
	Dwelling *greywatt.Dwelling // as described when the unit was judged
	Result   *commission.Result
	Events   []event.Event     // those that were judged
	Chart    *plots.EventChart // of the last of them; nil: none
	Facts    []greywatt.Fact   // of the journal, of any dwelling
	Answers  []Answer
	Photos   map[string][]byte // JPEG, by the id of the check that they show; see [ReadPhoto]
	Serial   string            // of the unit; empty: not stated
	Remarks  string
	Engineer plots.Signature
	Resident plots.Signature
	Version  string // of the program
}

// An Answer is the answer to a handover check.
type Answer struct {
	Is     string `json:"is"` // [Yes], [No], [NotSeen], or "" to fill in on paper
	Remark string `json:"remark"`
}

// The answers.
const (
	Yes     = "yes"
	No      = "no"
	NotSeen = "not seen"
)

// PrintDensity makes a px of the sheet, a 72nd of an inch, that many dots: 288 to the
// inch.
const PrintDensity = 4

// A Check is a thing to look at before a unit is handed over.
type Check struct {
	ID, Words string
	Explains  bool // "no" can explain a shortfall
}

// Checks are common practice of the trade, from memory. Local codes and licensed
// practice prevail.
var Checks = []Check{
	{"upright", "The unit is upright and plumb, and fixed top and bottom", true},
	{"ways", "Mains water enters at the bottom, preheated water leaves at the top", true},
	{"feed", "The cold feed has a full-flow shut-off valve, reachable and named, fully open, and a double check valve", true},
	{"preheat-valve", "The preheated side has a shut-off valve, fully open", true},
	{"only", "Preheated water feeds nothing but the mixer’s cold side and the heater", true},
	{"label", "The preheated pipe is labelled and insulated all the way", true},
	{"pressure", "The unit was isolated for any pressure test above 10 bar", false},
	{"connection", "The connection is as designed (A, B or C) and stated at the heater or in the cylinder cupboard", true},
	{"access", "The way to clean the unit is free", false},
	{"registered", "The unit is registered", false},
	{"resident", "The resident was told how and when to clean it", false},
	{"scald", "The shower’s outlet was checked for scald with preheated water, at its highest setting", false},
}

// Blame names the checks that were answered "no" and can explain a shortfall.
func Blame(answers []Answer) (out []string) {
	for i, a := range answers {
		if i < len(Checks) && a.Is == No && Checks[i].Explains {
			words := Checks[i].Words
			if a.Remark != "" {
				words += " (" + a.Remark + ")"
			}
			out = append(out, words)
		}
	}
	return out
}

// Code returns the check code over the data of a sheet: sixteen hexadecimal digits
// of a SHA-256. It changes with any of the figures, events, answers, remarks and
// names; who has the sheet and the data can make it again.
func Code(in *Input) string {
	figures := func(v ...float64) (out []string) {
		for _, x := range v {
			out = append(out, fmt.Sprintf("%.4f", x))
		}
		return out
	}
	r := in.Result
	text, err := json.Marshal(struct {
		Dwelling, Connection, Serial, Verdict string
		Events                                []string
		Figures                               []string
		Rated                                 []greywatt.RatedPoint
		Answers                               []Answer
		Remarks                               string
		Place                                 string   `json:",omitempty"`
		Photos                                []string `json:",omitempty"`
		Names                                 [4]string
	}{
		in.Dwelling.ID, in.Dwelling.Connection.String(), in.Serial, string(r.Verdict), r.Events,
		figures(r.Effectiveness, r.EffectivenessU95, r.Expected, r.ExpectedU95, r.Ratio, r.RatioU95, r.FlowLMin, r.WasteFlowLMin),
		in.Dwelling.Exchanger.Rated, in.Answers, in.Remarks, in.Dwelling.Exchanger.Place, photoSums(in),
		[4]string{in.Engineer.Name, in.Engineer.Date, in.Resident.Name, in.Resident.Date},
	})
	if err != nil {
		panic("sheet: " + err.Error()) // texts only
	}
	sum := fmt.Sprintf("%X", sha256.Sum256(text))
	return sum[:4] + "-" + sum[4:8] + "-" + sum[8:12] + "-" + sum[12:16]
}

// photoSums are what the code has of the photos.
func photoSums(in *Input) (sums []string) {
	for _, c := range Checks {
		if photo, ok := in.Photos[c.ID]; ok {
			sums = append(sums, fmt.Sprintf("%s %x", c.ID, sha256.Sum256(photo)))
		}
	}
	return sums
}

// Make returns the sheet.
func Make(in *Input) plots.Sheet {
	s, d, c := in.Study, in.Dwelling, in.Result
	points := make([]string, len(d.Exchanger.Rated))
	for i, p := range d.Exchanger.Rated {
		points[i] = fmt.Sprintf("%.2f at %.1f l/min", p.Effectiveness, p.FlowLMin)
	}
	out := plots.Sheet{
		Title: "Commissioning check, " + d.ID,
		Facts: [][2]string{
			{"Study", s.Name},
			{"Dwelling", d.ID},
			{"Connection", d.Connection.String()},
			{"Unit", string(d.Exchanger.Orientation) + ", rated " + strings.Join(points, ", ")},
		},
		Outcome: plots.Outcome(c.Verdict),
		Verdict: c.Reason,
		Rows: []plots.SheetRow{
			{Quantity: "Effectiveness", Measured: c.Effectiveness, MeasuredU95: c.EffectivenessU95, Rated: c.Expected, RatedU95: c.ExpectedU95, Remark: "rated: from the certificate, at these flows"},
			{Quantity: "Ratio to rated", Measured: c.Ratio, MeasuredU95: c.RatioU95, Rated: 1, Remark: fmt.Sprintf("limit %.2f", c.LeastRatio)},
			{Quantity: "Mains flow", Measured: c.FlowLMin, Rated: math.NaN(), Unit: "l/min"},
			{Quantity: "Waste side flow", Measured: c.WasteFlowLMin, Rated: math.NaN(), Unit: "l/min", Remark: "equal in A, else inferred unless metered"},
		},
		Chart: in.Chart, Checks: c.Checks, Cautions: c.Cautions,
		Signatures: []plots.Signature{withRole(in.Engineer, "Engineer"), withRole(in.Resident, "Resident")},
		Footer:     "Expanded uncertainties, k = 2. greywatt " + in.Version + ". Check code " + Code(in) + ".",
	}
	if in.Serial != "" {
		out.Facts = append(out.Facts, [2]string{"Serial number", in.Serial})
	}
	if place := d.Exchanger.Place; place != "" {
		out.Facts = append(out.Facts, [2]string{"Place", place})
	}
	if n := len(in.Events); n > 0 {
		out.Facts = append(out.Facts, [2]string{"Last shower", in.Events[n-1].Start.Time().In(s.Location()).Format("2006-01-02 15:04 MST")})
	}
	if blame := Blame(in.Answers); len(blame) > 0 && c.Verdict != commission.Pass {
		out.Verdict += ". The handover answers “no” to what can explain it: " + strings.Join(blame, "; ")
	}
	for i, a := range in.Answers {
		if i < len(Checks) {
			out.Handover = append(out.Handover, plots.HandoverRow{Check: Checks[i].Words, Answer: a.Is, Remark: a.Remark})
		}
	}
	for _, c := range Checks {
		if photo, ok := in.Photos[c.ID]; ok {
			out.Photos = append(out.Photos, plots.Photo{Caption: c.Words, JPEG: photo})
		}
	}
	out.Sections = in.sections()
	return out
}

func withRole(g plots.Signature, role string) plots.Signature {
	g.Role = role
	return g
}

// sections returns the record behind the figures.
func (in *Input) sections() []plots.SheetSection {
	loc := in.Study.Location()
	day := func(at greywatt.Instant) string { return at.Time().In(loc).Format("2 January 2006, 15:04") }
	var sensors, events, findings, journal, remarks []string
	for c := range greywatt.Channel(greywatt.NumChannels) {
		s, ok := described(in.Dwelling, c)
		if !ok && (c == greywatt.Ambient || c == greywatt.WasteFlow) {
			continue // it need not be there
		}
		if c.IsFlow() {
			sensors = append(sensors, fmt.Sprintf("%s: scale %.3f, ± %.1f %%", wording.Plain(c.String()), s.Scale, 100*s.U95Relative))
		} else {
			sensors = append(sensors, fmt.Sprintf("%s: offset %s K, ± %.2f K", wording.Plain(c.String()), wording.Signed(fmt.Sprintf("%+.2f", s.OffsetK)), s.U95K))
		}
	}
	for i := range in.Events {
		e := &in.Events[i]
		events = append(events, fmt.Sprintf("%s: effectiveness %s, ratio %s, %.0f s steady", e.ID,
			wording.PlusMinus(e.Effectiveness, e.EffectivenessU95, 2, 3), wording.PlusMinus(e.Ratio, e.RatioU95, 2, 3), e.SteadyS))
	}
	for _, f := range in.Result.Findings {
		findings = append(findings, fmt.Sprintf("%s, %s: %s", wording.Capital(wording.Plain(f.Code)), wording.Sure(f.Confidence), f.Evidence))
	}
	if in.Result.Decide != "" {
		findings = append(findings, "What would decide: "+in.Result.Decide)
	}
	for _, f := range greywatt.Standing(in.Facts) {
		if f.Dwelling != in.Dwelling.ID {
			continue
		}
		line := day(f.At) + ": " + wording.Plain(f.Kind)
		if f.Kind.OfSensor() {
			line += ", " + wording.Plain(f.Channel.String())
		}
		if f.Text != "" {
			line += ": " + f.Text
		}
		if f.By != "" {
			line += " (" + f.By + ")"
		}
		journal = append(journal, line)
	}
	if in.Remarks != "" {
		remarks = []string{in.Remarks}
	}
	return []plots.SheetSection{
		{Title: "Sensors", Items: sensors}, {Title: "Showers judged", Items: events}, {Title: "Findings", Items: findings},
		{Title: "Journal", Items: journal}, {Title: "Remarks", Items: remarks},
	}
}

// described returns the sensor that the dwelling's description has for a channel,
// whichever its node; where it has none, the default one, and ok is false.
func described(d *greywatt.Dwelling, c greywatt.Channel) (s greywatt.Sensor, ok bool) {
	for _, s := range d.Sensors {
		if s.Channel == c {
			return s, true
		}
	}
	return greywatt.DefaultSensor(c), false
}
