package studyfile

import "greywatt"

// A FactKey is a key of the journal's facts, as [ReadJournal] takes it.
type FactKey struct {
	Name    string
	Type    string              // text, time, number or table
	Must    bool                // every kind has it
	All     bool                // every kind may have it
	Needed  []greywatt.FactKind // kinds that must have it
	May     []greywatt.FactKind // kinds that may
	Meaning string
}

// FactKeys returns the keys in the order in which documents have them.
func FactKeys() []FactKey {
	clamps := []greywatt.FactKind{greywatt.FactClampReplaced, greywatt.FactMeterReplaced}
	moved := []greywatt.FactKind{greywatt.FactClampMoved, greywatt.FactMeterMoved}
	offset := []greywatt.FactKind{greywatt.FactOffset}
	return []FactKey{
		{Name: "id", Type: "text", Must: true, Meaning: "known by this; a fact that is there twice, id and all, counts once"},
		{Name: "dwelling", Type: "text", Must: true, Meaning: "id of the dwelling, as in the study file"},
		{Name: "kind", Type: "text", Must: true, Meaning: "one of the words above"},
		{Name: "at", Type: "time", Must: true, Meaning: "from when it holds: an instant, or a day, which stands for its beginning"},
		{Name: "text", Type: "text", All: true, Needed: []greywatt.FactKind{greywatt.FactNote, greywatt.FactRepaired, greywatt.FactLeftOut},
			Meaning: "what was done or found, or why"},
		{Name: "by", Type: "text", All: true, Meaning: "who noted it"},
		{Name: "via", Type: "text", All: true, Meaning: "where it was noted: shell, page"},
		{Name: "noted", Type: "time", All: true, Meaning: "when it was noted"},
		{Name: "sensor", Type: "table", Needed: clamps, May: moved, Meaning: "the clamp or meter, with the keys of `dwelling.sensor` but `name`"},
		{Name: "channel", Type: "text", Needed: append(offset, moved...), Meaning: "what it measures; instead of sensor where that stays as described"},
		{Name: "node", Type: "text", May: append(offset, moved...), Meaning: "whose it is, where several nodes measure the channel"},
		{Name: "offset_k", Type: "number", Needed: offset, Meaning: "K to subtract from the reading from then on"},
		{Name: "u95_k", Type: "number", May: offset, Meaning: "K that are left, expanded uncertainty (k = 2); without it as before"},
		{Name: "exchanger", Type: "table", Needed: []greywatt.FactKind{greywatt.FactUnitReplaced}, Meaning: "the new unit, with the keys of `dwelling.exchanger`"},
		{Name: "place", Type: "text", May: []greywatt.FactKind{greywatt.FactUnitMoved}, Meaning: "where the unit is from then on, in words"},
		{Name: "connection", Type: "text", Needed: []greywatt.FactKind{greywatt.FactReconnected}, Meaning: "what the preheated water feeds from then on: A, B or C"},
		{Name: "heater", Type: "table", Needed: []greywatt.FactKind{greywatt.FactHeaterReplaced}, Meaning: "the new heater, with the keys of `dwelling.heater`"},
		{Name: "until", Type: "time", Needed: []greywatt.FactKind{greywatt.FactLeftOut}, Meaning: "end of the period, exclusive; a day is included"},
		{Name: "of", Type: "text", Needed: []greywatt.FactKind{greywatt.FactWithdrawn}, Meaning: "id of the fact that was wrong"},
	}
}

// For reports whether a kind must or may have the key.
func (k *FactKey) For(kind greywatt.FactKind) (must, may bool) {
	for _, of := range k.Needed {
		must = must || of == kind
	}
	may = k.All
	for _, of := range k.May {
		may = may || of == kind
	}
	must = must || k.Must
	return must, may || must
}
