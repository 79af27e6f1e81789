package live

import (
	"fmt"
	"net/http"
	"strconv"

	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/plots/wording"
)

// A guidedRun is the verdict on the water that runs, as it is looked at.
type guidedRun struct {
	event string
	commission.Run
}

// A runPart says how a guided run stands.
type runPart struct {
	Head, Words string
	Now         string // flow and state in a line
	Figures     []figureOf
	Class       string
	Verdict     string
	Seen        []string // what disturbs it
	Next        string
	Done        bool
}

// disturbances are the flags that the one who runs the water can do something about.
var disturbances = map[event.Flag]string{
	event.FlagOverlap:       "Another tap draws through the unit. Close it, and go on.",
	event.FlagDrawWithin:    "Water ran for another tap in between. What follows is used.",
	event.FlagMainsExceeds:  "More mains water passes the unit than the shower uses: look for an open tap or a leak.",
	event.FlagNoSettledFlow: "The flow does not settle: leave the mixer alone. If it hunts by itself, set it to a middle temperature.",
	event.FlagSmallSpan:     "The waste water is hardly warmer than the mains: set the shower warmer.",
	event.FlagNoWarmWaste:   "No warm waste water arrives: is the shower’s drain the unit’s, and is the water warm?",
	event.FlagGap:           "Readings are missing: is the node in reach of its network?",
	event.FlagUnbalanced:    "The heat of the two sides does not agree: look at the clamps.",
	event.FlagReversed:      "The mains water comes out colder than it went in: are two clamps in each other’s place?",
	event.FlagSlowSampling:  "The node sends too seldom for a steady part: set it to a reading a second while water runs.",
}

// runPart says how the run stands. The caller holds d.mu.
func (d *dwelling) runPart(c clock) runPart {
	e := d.past.Provisional
	flowing := d.present.running()
	part := runPart{Head: "Start the shower", Words: "Warm, fully open, and nothing else: no other tap, no washing machine. Let it run for five to ten minutes without touching the mixer."}
	if flow, ok := d.texts(c)["v-flow"]; ok {
		part.Now = "Mains flow " + wording.WithUnit(flow, "l/min") + "."
	}
	if e == nil {
		if flowing {
			part.Head, part.Words = "Water runs", "The first figures come in some seconds."
		} else if i, ok := d.past.Events.Find(d.run.event); ok {
			over := d.past.Events.Event(i)
			part.Head, part.Words = "The shower is over", "Its figures are final. The handover page judges by them."
			part.Figures = []figureOf{{Caption: "Steady part", Value: wording.Fixed(over.SteadyS, 0) + " s"},
				{Caption: "Effectiveness", Value: plusMinus(over.Effectiveness, over.EffectivenessU95, 2)},
				{Caption: "Measured / expected", Value: plusMinus(over.Ratio, over.RatioU95, 2)}}
		}
		return part
	}
	if d.run.event != e.ID {
		d.run = guidedRun{event: e.ID}
	}
	verdict := d.run.See(e.SteadyS, e.Ratio, e.RatioU95)
	part.Figures = []figureOf{
		{Caption: "Running", Value: length(e.RunningS)},
		{Caption: "Steady part", Value: wording.Fixed(e.SteadyS, 0) + " s"},
		{Caption: "Effectiveness", Value: plusMinus(e.Effectiveness, e.EffectivenessU95, 2)},
		{Caption: "Measured / expected", Value: plusMinus(e.Ratio, e.RatioU95, 2)},
		{Caption: "Limit", Value: wording.Fixed(commission.LeastRatio, 2)},
	}
	for _, f := range e.Flags {
		if words, ok := disturbances[f]; ok && !(f == event.FlagNoSettledFlow && e.RunningS < settlingS) {
			part.Seen = append(part.Seen, words)
		}
	}
	switch {
	case verdict == commission.Pass:
		part.Class, part.Verdict, part.Done = "ok", "Pass", true
		part.Head, part.Words = "Enough", "The unit does what its certificate says. The shower may be closed; the sheet is ready some five minutes later."
	case verdict == commission.Fail:
		part.Class, part.Verdict, part.Done = "fault", "Fail", true
		part.Head, part.Words = "Enough", "The unit stays below the limit. The shower may be closed; look at the handover checks for what explains it."
	case !flowing:
		part.Head, part.Words = "The water has stopped", "A pause of some minutes belongs to the same shower: open it again, or wait for the final figures."
	case !(e.SteadyS > 0):
		part.Head, part.Words = "Settling", "Flow, pipes and unit take a minute or two to come to rest. Leave the mixer alone."
	default:
		part.Head, part.Words = "Steady", "Leave everything as it is."
	}
	if next := d.run.Next(); next > 0 {
		part.Next = fmt.Sprintf("Cannot tell yet. The next look is at %.0f s of steady flow.", next)
	} else if !part.Done {
		part.Done = true
		part.Next = "Eight minutes of steady flow did not decide. The handover page says what would."
	}
	return part
}

// settlingS is for how long flow is not expected to have settled, s: this project's
// choice.
const settlingS = 120.0

// runCautions come before any water runs.
var runCautions = []string{
	"Nobody stands under the shower while it is tested. Test the temperature with a thermometer, not with the skin: above 44 °C it scalds, children sooner.",
	finding.CautionScald,
	finding.CautionStale,
	cautionHot,
	cautionElectric,
}

// guided shows the guided run.
func (p *Page) guided(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	c := p.clock()
	data := struct {
		frame
		ID, Back string
		State    stateWords
		Run      runPart
		Corners  []reading
		Cautions []string
	}{frame: p.frame(r, "Guided run of "+d.ID), ID: d.ID, Back: dwellingPath(d.ID), Cautions: runCautions}
	d.mu.Lock()
	texts := d.texts(c)
	for _, ch := range corners {
		data.Corners = append(data.Corners, reading{ch.String(), channelWords[ch], element(ch), texts[element(ch)], "°C"})
	}
	data.State, data.Run = d.stateWords(c), d.runPart(c)
	data.Stream = dwellingPath(d.ID) + "/stream?run&since=" + strconv.FormatInt(d.version, 10)
	d.mu.Unlock()
	return render(w, http.StatusOK, "guided", &data)
}
