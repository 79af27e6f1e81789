package studyfile

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"greywatt"
	"greywatt/ingest/suggest"
)

var (
	kindText   = oneOf(factKinds()...)
	someText   = textRule{func(s string) bool { return strings.TrimSpace(s) != "" }, "a text that is not empty", "say in a few words what was done or found, or why"}
	factIDText = matching(`[A-Za-z0-9][-A-Za-z0-9_.:]{0,127}`, idText.want, "use the id that greywatt note gives, or any word that no other fact has")
)

func factKinds() []string {
	var names []string
	for _, k := range greywatt.FactKinds {
		names = append(names, string(k))
	}
	return names
}

// ReadJournal reads the journal of a study: TOML 1.0 in UTF-8, a list of tables
// [[fact]]. The facts are in the journal's order. Where it has mistakes the error
// is a [Mistakes] with every one of them.
//
// The keys of each kind are those of [FactKeys]. at is an instant with its zone, an
// instant of the study's zone, or a day of it, which stands for its beginning; until
// is exclusive, and a day there is included.
//
// A fact that is there twice, id and all, counts once.
func ReadJournal(data []byte, study *greywatt.Study) ([]greywatt.Fact, error) {
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	root, mistakes := buildTree(data)
	f := &reader{mistakes: mistakes}
	facts := f.journal(f.section(root, ""), study)
	if len(f.mistakes) == 0 {
		f.strict(data)
	}
	if len(f.mistakes) > 0 {
		slices.SortStableFunc(f.mistakes, func(a, b Mistake) int { return cmp.Compare(a.Line, b.Line) })
		return nil, f.mistakes
	}
	return facts, nil
}

func (f *reader) journal(root *section, study *greywatt.Study) []greywatt.Fact {
	var facts []greywatt.Fact
	first := map[string]int{} // index of the fact with an id
	for _, t := range root.tables("fact") {
		fact := f.fact(t, study)
		if i, twice := first[fact.ID]; twice && fact.ID != "" {
			if FormatFact(&facts[i]) != FormatFact(&fact) {
				f.mistake(t.lineOf("id"), t.key("id"), fmt.Sprintf("is another fact's id too, on line %d", facts[i].Line), "give each fact an id of its own")
			}
			continue
		}
		first[fact.ID] = len(facts)
		facts = append(facts, fact)
	}
	for i := range facts {
		if fact := &facts[i]; fact.Kind == greywatt.FactWithdrawn && fact.Of != "" {
			f.withdrawal(fact, facts)
		}
	}
	root.finish()
	return facts
}

func (f *reader) withdrawal(fact *greywatt.Fact, facts []greywatt.Fact) {
	key := fmt.Sprintf("fact[%s].of", fact.ID)
	i := slices.IndexFunc(facts, func(o greywatt.Fact) bool { return o.ID == fact.Of })
	switch {
	case i < 0:
		f.mistake(fact.Line, key, fmt.Sprintf("no fact %q", fact.Of), "copy the id from greywatt notes")
	case facts[i].Dwelling != fact.Dwelling:
		f.mistake(fact.Line, key, fmt.Sprintf("%q is a fact of %s", fact.Of, facts[i].Dwelling), "name the dwelling of the fact that is withdrawn")
	case facts[i].Kind == greywatt.FactWithdrawn:
		f.mistake(fact.Line, key, fmt.Sprintf("%q is a withdrawal itself", fact.Of), "note the fact that it withdrew again, under a new id")
	}
}

func (f *reader) fact(t *section, study *greywatt.Study) greywatt.Fact {
	t.require("id", "give each fact an id that no other has")
	t.require("dwelling", "state the dwelling's id, as in the study file")
	t.require("kind", "state one of "+strings.Join(factKinds(), ", "))
	t.require("at", "state from when it holds, such as at = 2026-06-02 or at = 2026-06-02T09:30:00+01:00")
	fact := greywatt.Fact{Line: t.t.line}
	fact.ID = t.text("id", "", factIDText)
	fact.Dwelling = t.text("dwelling", "", idText)
	fact.Kind = greywatt.FactKind(t.text("kind", "", kindText))
	fact.At = t.instant("at", study.Location(), false)
	fact.By = t.text("by", "", anyText)
	fact.Via = t.text("via", "", anyText)
	fact.Noted = t.instant("noted", study.Location(), false)
	text := anyText
	if k := fact.Kind; k == greywatt.FactNote || k == greywatt.FactRepaired || k == greywatt.FactLeftOut {
		t.require("text", "say in a few words what was done or found, or why")
		text = someText
	}
	fact.Text = t.text("text", "", text)
	d := f.dwellingOf(t, &fact, study)
	f.values(t, &fact, study)
	if fact.Kind != "" || !t.has("kind") { // else its keys are not known
		t.finish()
	}
	if d != nil && fact.Kind == greywatt.FactCleaned && fact.At != 0 && !d.Commissioned.IsZero() && fact.At < d.Commissioned.In(study.Location()) {
		t.mistake("at", fmt.Sprintf("is before the unit was commissioned on %s", d.Commissioned), "correct one of the two days")
	}
	return fact
}

func (f *reader) dwellingOf(t *section, fact *greywatt.Fact, study *greywatt.Study) *greywatt.Dwelling {
	if fact.Dwelling == "" {
		return nil
	}
	d, ok := study.Dwelling(fact.Dwelling)
	if ok {
		return d
	}
	var ids []string
	for i := range study.Dwellings {
		ids = append(ids, study.Dwellings[i].ID)
	}
	remedy := "correct it, or delete the fact where the dwelling is no longer of the study"
	if near, ok := suggest.Nearest(fact.Dwelling, ids); ok {
		remedy = "did you mean " + near + "?"
	}
	t.mistake("dwelling", fmt.Sprintf("no dwelling %q in the study", fact.Dwelling), remedy)
	return nil
}

// values reads what the fact's kind needs.
func (f *reader) values(t *section, fact *greywatt.Fact, study *greywatt.Study) {
	switch fact.Kind {
	case greywatt.FactClampReplaced, greywatt.FactMeterReplaced:
		t.require("sensor", `describe the new one, such as sensor = { channel = "waste-in", u95_k = 0.3 }`)
		f.factSensor(t, fact)
	case greywatt.FactClampMoved, greywatt.FactMeterMoved:
		if t.has("sensor") {
			f.factSensor(t, fact)
			break
		}
		t.require("channel", "state which of "+strings.Join(channelNames(), ", ")+" it measures")
		f.factChannel(t, fact)
	case greywatt.FactOffset:
		t.require("channel", "state which of "+strings.Join(channelNames(), ", ")+" it measures")
		t.require("offset_k", "state the kelvins to subtract from the reading from then on")
		f.factChannel(t, fact)
		fact.OffsetK = t.number("offset_k", math.NaN(), offsetBound)
		fact.U95K = t.number("u95_k", 0, u95Bound)
	case greywatt.FactUnitReplaced:
		t.require("exchanger", "copy the certificate's points, such as exchanger = { rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ] }")
		if t.has("exchanger") {
			x := f.exchanger(t.table("exchanger"))
			fact.Exchanger = &x
		}
	case greywatt.FactUnitMoved:
		fact.Place = t.text("place", "", anyText)
	case greywatt.FactReconnected:
		t.require("connection", `state what the preheated water feeds from then on, such as connection = "B"`)
		if letter := t.text("connection", "", connectionText); len(letter) == 1 {
			fact.Connection = greywatt.Connection(letter[0])
		}
	case greywatt.FactHeaterReplaced:
		t.require("heater", "describe the new one, such as heater = { efficiency = 0.88, hot_c = 55 }")
		if t.has("heater") {
			h := f.heater(t.table("heater"))
			fact.Heater = &h
		}
	case greywatt.FactLeftOut:
		t.require("until", "state its end, such as until = 2026-06-09, a day that is left out too")
		fact.Until = t.instant("until", study.Location(), true)
		if fact.At != 0 && fact.Until != 0 && fact.Until <= fact.At {
			t.mistake("until", "is not after at", "correct one of the two")
		}
	case greywatt.FactWithdrawn:
		t.require("of", "state the id of the fact that was wrong; greywatt notes lists them")
		fact.Of = t.text("of", "", factIDText)
	}
}

func (f *reader) factSensor(t *section, fact *greywatt.Fact) {
	if !t.has("sensor") {
		return
	}
	s, known := f.sensor(t.table("sensor"))
	if !known {
		return
	}
	if s.Name != "" {
		// Names must differ over the whole study, and are the study file's to keep.
		t.mistake("sensor", "name is not for the journal", "add a sensor of that name to the study file")
	}
	fact.Channel, fact.Node, fact.Sensor = s.Channel, s.Node, &s
	f.kindFits(t, "sensor", fact)
}

func (f *reader) factChannel(t *section, fact *greywatt.Fact) {
	channel, known := greywatt.ParseChannel(t.text("channel", "", channelText))
	fact.Node = t.text("node", "", idText)
	if !known {
		return
	}
	fact.Channel = channel
	f.kindFits(t, "channel", fact)
}

// kindFits compares what a fact is of with what its channel measures.
func (f *reader) kindFits(t *section, key string, fact *greywatt.Fact) {
	ofMeter := fact.Kind == greywatt.FactMeterReplaced || fact.Kind == greywatt.FactMeterMoved
	switch {
	case ofMeter && !fact.Channel.IsFlow():
		t.mistake(key, fmt.Sprintf("%s is a temperature, which no meter measures", fact.Channel), "write a kind that begins with clamp, or flow or waste-flow")
	case !ofMeter && fact.Channel.IsFlow():
		t.mistake(key, fmt.Sprintf("%s is a flow, which no clamp measures", fact.Channel), "write a kind that begins with meter, or the channel of a clamp")
	}
}

// instant returns a time: an instant with its zone, one of loc, or a day of loc,
// which stands for its beginning or, where dayIncluded, the beginning of the next.
// Zero where there is none.
func (s *section) instant(name string, loc *time.Location, dayIncluded bool) greywatt.Instant {
	s.note(name, func(k *Key) { k.Type, k.Range = "time", "such as 2026-01-12 or 2026-01-12T09:30:00Z" })
	v := s.value(name)
	if v == nil {
		return 0
	}
	const remedy = "write a day such as 2026-01-12, or an instant such as 2026-01-12T09:30:00Z, without quotes"
	var t time.Time
	switch is := v.is.(type) {
	case toml.LocalDate:
		t = is.AsTime(loc)
		if dayIncluded {
			t = t.AddDate(0, 0, 1)
		}
	case toml.LocalDateTime:
		t = is.AsTime(loc)
	case time.Time:
		t = is
	default:
		s.mistake(name, "want a time, got "+typeName(v.is), remedy)
		return 0
	}
	if t.Year() < 1990 || t.Year() > 2200 {
		s.mistake(name, fmt.Sprintf("%s is not within the years 1990 to 2200", t.Format(time.DateOnly)), "correct the year")
		return 0
	}
	return greywatt.InstantOf(t)
}

// FormatFact returns a fact as a table of the journal that [ReadJournal] reads
// back: each key on its line, id last, so that a table whose end is missing has
// none.
func FormatFact(f *greywatt.Fact) string {
	w := &tableWriter{}
	w.text("dwelling", f.Dwelling)
	w.text("kind", string(f.Kind))
	w.time("at", f.At)
	w.time("until", f.Until)
	if f.Sensor == nil && f.Kind.OfSensor() {
		w.text("channel", f.Channel.String())
		w.text("node", f.Node)
	}
	if f.Kind == greywatt.FactOffset {
		w.put("offset_k", number(f.OffsetK))
		w.number("u95_k", f.U95K, 0)
	}
	if f.Sensor != nil {
		w.put("sensor", formatSensor(f.Sensor))
	}
	if f.Exchanger != nil {
		w.put("exchanger", formatExchanger(f.Exchanger))
	}
	w.text("place", f.Place)
	if f.Connection != 0 {
		w.text("connection", f.Connection.String())
	}
	if f.Heater != nil {
		w.put("heater", formatHeater(f.Heater))
	}
	w.text("of", f.Of)
	w.text("text", f.Text)
	w.text("by", f.By)
	w.text("via", f.Via)
	w.time("noted", f.Noted)
	w.text("id", f.ID)
	return "[[fact]]\n" + strings.Join(w.pairs, "\n") + "\n"
}

// FormatDescription returns the sensor, exchanger or heater that a fact describes, as
// the journal has it, on one line; empty where it describes none.
func FormatDescription(f *greywatt.Fact) string {
	switch {
	case f.Sensor != nil:
		return formatSensor(f.Sensor)
	case f.Exchanger != nil:
		return formatExchanger(f.Exchanger)
	case f.Heater != nil:
		return formatHeater(f.Heater)
	case f.Connection != 0:
		return "connection = " + Quote(f.Connection.String())
	}
	return ""
}

// A tableWriter collects the pairs of a table; those without a value are left out.
type tableWriter struct{ pairs []string }

func (w *tableWriter) put(key, value string) { w.pairs = append(w.pairs, key+" = "+value) }

func (w *tableWriter) text(key, s string) {
	if s != "" {
		w.put(key, Quote(s))
	}
}

func (w *tableWriter) time(key string, at greywatt.Instant) {
	if at != 0 {
		w.put(key, at.String())
	}
}

// number puts a number that is not the default.
func (w *tableWriter) number(key string, x, or float64) {
	if x != or && !math.IsNaN(x) {
		w.put(key, number(x))
	}
}

func (w *tableWriter) inline() string {
	if len(w.pairs) == 0 {
		return "{}"
	}
	return "{ " + strings.Join(w.pairs, ", ") + " }"
}

func formatSensor(s *greywatt.Sensor) string {
	w, or := &tableWriter{}, greywatt.DefaultSensor(s.Channel)
	w.text("channel", s.Channel.String())
	w.text("node", s.Node)
	w.number("offset_k", s.OffsetK, or.OffsetK)
	w.number("u95_k", s.U95K, or.U95K)
	w.number("response_s", s.ResponseS, or.ResponseS)
	w.number("loss_fraction", s.LossFraction, or.LossFraction)
	w.number("scale", s.Scale, or.Scale)
	w.number("u95_relative", s.U95Relative, or.U95Relative)
	w.text("batch", s.Batch)
	// A part that is not below the whole is the default.
	if s.BatchU95K < s.U95K {
		w.put("batch_u95_k", number(s.BatchU95K))
	}
	if s.BatchU95Relative < s.U95Relative {
		w.put("batch_u95_relative", number(s.BatchU95Relative))
	}
	if !s.Calibrated.IsZero() {
		w.put("calibrated", s.Calibrated.String())
	}
	w.text("certificate", s.Certificate)
	return w.inline()
}

func formatExchanger(x *greywatt.Exchanger) string {
	var points []string
	for _, p := range x.Rated {
		points = append(points, fmt.Sprintf("{ flow_l_min = %s, effectiveness = %s }", number(p.FlowLMin), number(p.Effectiveness)))
	}
	w := &tableWriter{}
	if x.Orientation != defaultOrientation {
		w.text("orientation", string(x.Orientation))
	}
	w.put("rated", "[ "+strings.Join(points, ", ")+" ]")
	cold, waste := x.RatedInlets()
	w.number("rated_cold_in_c", cold, greywatt.DefaultRatedColdInC)
	w.number("rated_waste_in_c", waste, greywatt.DefaultRatedWasteInC)
	w.text("serial", x.Serial)
	w.text("place", x.Place)
	return w.inline()
}

func formatHeater(h *greywatt.Heater) string {
	w := &tableWriter{}
	if h.Kind != defaultHeaterKind {
		w.text("kind", h.Kind)
	}
	w.number("efficiency", h.Efficiency, defaultHeaterEfficiency)
	w.number("carbon_kg_per_kwh", h.CarbonKgPerKWh, math.NaN())
	w.number("price_per_kwh", h.PricePerKWh, math.NaN())
	w.number("efficiency_u95_relative", h.EfficiencyU95Relative, 0)
	w.number("carbon_u95_relative", h.CarbonU95Relative, 0)
	w.number("price_u95_relative", h.PriceU95Relative, 0)
	if h.Currency != defaultCurrency {
		w.text("currency", h.Currency)
	}
	w.number("hot_c", h.HotC, defaultHotC)
	return w.inline()
}

// number writes a number as TOML has it, with every digit it needs.
func number(x float64) string {
	data, err := toml.Marshal(map[string]float64{"x": x})
	if err != nil {
		panic("studyfile: a number cannot be written: " + err.Error())
	}
	_, value, _ := strings.Cut(strings.TrimSpace(string(data)), " = ")
	return value
}

// Quote writes a text as a TOML string on one line.
func Quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range strings.ToValidUTF8(s, "\ufffd") {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
