package dataset

import (
	"fmt"
	"math"

	"greywatt"
	"greywatt/ingest/studyfile"
)

type factRow = *greywatt.Fact

var journalColumns = []column[factRow]{
	{name: "fact", required: true, description: "Identifies the fact",
		text: func(f factRow) string { return f.ID }},
	{name: "dwelling", required: true, description: "The dwelling, by its id in the study file",
		text: func(f factRow) string { return f.Dwelling }},
	{name: "at", required: true, description: "From when it holds",
		at: func(f factRow) greywatt.Instant { return f.At }},
	{name: "until", description: "End of a period that is left out, exclusive",
		at: func(f factRow) greywatt.Instant { return f.Until }},
	{name: "kind", required: true, oneOf: factKinds(), description: "What was done or found",
		text: func(f factRow) string { return string(f.Kind) }},
	{name: "channel", description: "Channel of a clamp, a meter or an offset",
		text: func(f factRow) string {
			if !f.Kind.OfSensor() {
				return ""
			}
			return f.Channel.String()
		}},
	{name: "node", description: "Node whose sensor it is; empty: whichever reports the channel",
		text: func(f factRow) string { return f.Node }},
	{name: "offset_k", unit: "K", decimals: 3, description: "Of an offset: subtracted from the reading from then on",
		number: func(f factRow) float64 {
			if f.Kind != greywatt.FactOffset {
				return math.NaN()
			}
			return f.OffsetK
		}},
	{name: "u95_k", unit: "K", decimals: 3, description: "Of an offset: expanded uncertainty (k = 2) that is left; empty: as before",
		number: func(f factRow) float64 {
			if f.Kind != greywatt.FactOffset || f.U95K == 0 {
				return math.NaN()
			}
			return f.U95K
		}},
	{name: "description", description: "Of a sensor, unit or heater that was replaced, or another connection: the new one, with the study file's keys, as TOML",
		text: func(f factRow) string {
			if f.Exchanger != nil { // serial and place are in no dataset
				unit, fact := *f.Exchanger, *f
				unit.Serial, unit.Place = "", ""
				fact.Exchanger = &unit
				f = &fact
			}
			return studyfile.FormatDescription(f)
		}},
	{name: "text", description: "Remark, or reason",
		text: func(f factRow) string { return f.Text }},
}

func factKinds() []string {
	var out []string
	for _, k := range greywatt.FactKinds {
		if k != greywatt.FactWithdrawn { // what is withdrawn is not there, nor is its withdrawal
			out = append(out, string(k))
		}
	}
	return out
}

// AddJournal takes the facts that stand, without who noted them. Of a package that
// hides anything they stay out: they name dwellings, days and whatever was written.
func (p *Package) AddJournal(facts []greywatt.Fact) error {
	if p.hide != nil {
		return nil
	}
	for _, f := range greywatt.Standing(facts) {
		if err := add(p.journal, journalColumns, f.Dwelling, f.At, &f); err != nil {
			return fmt.Errorf("export: %w", err)
		}
	}
	return nil
}
