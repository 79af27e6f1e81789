package greywatt

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"
	_ "time/tzdata" // time zones must be known on a board that has none installed

	"github.com/pelletier/go-toml/v2"
)

// What stands where the study file is silent; see [ReadStudy]. The heater's
// values are common practice for a condensing gas boiler, not of a standard.
const (
	DefaultTimezone         = "UTC"
	DefaultOrientation      = Vertical
	DefaultHeaterKind       = "unstated"
	DefaultHeaterEfficiency = 0.9
	DefaultCurrency         = "EUR"
	DefaultHotC             = 55.0
)

// A StudyMistake is one thing in a study file that has to be mended.
type StudyMistake struct {
	Line   int    // from 1; of the table's header where a key is missing
	Key    string // such as dwelling[larch-04].sensor[flow].scale; may be empty
	What   string
	Remedy string
}

// String returns LINE: KEY: WHAT; REMEDY.
func (m StudyMistake) String() string {
	if m.Key == "" {
		return fmt.Sprintf("%d: %s; %s", m.Line, m.What, m.Remedy)
	}
	return fmt.Sprintf("%d: %s: %s; %s", m.Line, m.Key, m.What, m.Remedy)
}

// StudyErrors are all the mistakes of a study file, in the order of its lines.
type StudyErrors []StudyMistake

// Error returns the mistakes, a line each.
func (e StudyErrors) Error() string {
	lines := make([]string, len(e))
	for i, m := range e {
		lines[i] = "line " + m.String()
	}
	return strings.Join(lines, "\n")
}

// ReadStudy reads a study file, in TOML 1.0 and UTF-8. Where it has mistakes
// the error is a [StudyErrors] with every one of them: wrong types, values out
// of range, unknown keys, missing ones, and what cannot be true together.
//
// A dwelling must state its id, its connection and at least one rated point of
// its exchanger. What else is not stated is taken to be:
//
//	study.name                              ""
//	study.timezone                          "UTC"
//	dwelling.commissioned                   not known
//	dwelling.exchanger.orientation          "vertical"
//	dwelling.exchanger.rated_cold_in_c      12 °C
//	dwelling.exchanger.rated_waste_in_c     40 °C
//	dwelling.heater.kind                    "unstated"
//	dwelling.heater.efficiency              0.9
//	dwelling.heater.carbon_kg_per_kwh       not known: no carbon figures
//	dwelling.heater.price_per_kwh           not known: no money figures
//	dwelling.heater.currency                "EUR"
//	dwelling.heater.hot_c                   55 °C
//	dwelling.sensor                         one a channel, with the values below
//	dwelling.sensor.node                    whichever node reports the channel
//	dwelling.sensor.name                    <dwelling>/<node>/<channel>
//	dwelling.sensor.offset_k                0 K
//	dwelling.sensor.u95_k                   0.5 K
//	dwelling.sensor.response_s              0 s
//	dwelling.sensor.loss_fraction           0
//	dwelling.sensor.scale                   1
//	dwelling.sensor.u95_relative            0.05
//	dwelling.cleaned                        never
func ReadStudy(r io.Reader) (*Study, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("read study: %w", err)
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	root, mistakes := buildTree(data)
	f := &studyReader{mistakes: mistakes}
	study := f.study(f.section(root, ""))
	if len(f.mistakes) == 0 {
		// What our own tree lets pass, such as a table added to an inline one.
		f.strict(data)
	}
	if len(f.mistakes) > 0 {
		slices.SortStableFunc(f.mistakes, func(a, b StudyMistake) int { return cmp.Compare(a.Line, b.Line) })
		return nil, f.mistakes
	}
	return study, nil
}

// strict lets the library judge the whole file.
func (f *studyReader) strict(data []byte) {
	var all map[string]any
	err := toml.Unmarshal(data, &all)
	if err == nil {
		return
	}
	line := 1
	if at := (*toml.DecodeError)(nil); errors.As(err, &at) {
		line, _ = at.Position()
	}
	f.mistake(line, "", "not TOML: "+strings.TrimPrefix(err.Error(), "toml: "), "see https://toml.io")
}

// A studyReader turns the tree into a study and collects what is wrong.
type studyReader struct {
	mistakes StudyErrors
	named    []namedSensor
	keys     *[]StudyKey // where they are wanted; see [StudyKeys]
}

func (f *studyReader) mistake(line int, key, what, remedy string) {
	f.mistakes = append(f.mistakes, StudyMistake{line, key, what, remedy})
}

func (f *studyReader) study(root *section) *Study {
	head := root.table("study")
	s := &Study{Name: head.text("name", "", anyText), Timezone: head.timezone("timezone")}
	head.finish()

	list := root.tables("dwelling")
	if len(list) == 0 && !root.has("dwelling") && !root.t.damaged {
		f.mistake(1, "dwelling", "the study has none", "add a [[dwelling]] with id, connection and exchanger.rated")
	}
	lines := map[string]int{}
	for _, d := range list {
		s.Dwellings = append(s.Dwellings, f.dwelling(d))
		id := s.Dwellings[len(s.Dwellings)-1].ID
		if first, taken := lines[id]; taken && id != "" {
			f.mistake(d.lineOf("id"), d.key("id"), fmt.Sprintf("already the dwelling on line %d", first), "give each dwelling an id of its own")
		} else {
			lines[id] = d.lineOf("id")
		}
	}
	f.names(lines)
	root.finish()
	return s
}

func (f *studyReader) dwelling(d *section) Dwelling {
	d.require("id", `give it one that names no person, such as id = "larch-04"`)
	d.require("connection", `state what the preheated water feeds, such as connection = "A"`)
	w := Dwelling{ID: d.text("id", "", idText)}
	if letter := d.text("connection", "", connectionText); len(letter) == 1 {
		w.Connection = Connection(letter[0])
	}
	w.Commissioned = d.date("commissioned")
	w.Exchanger = f.exchanger(d)
	w.Heater = f.heater(d.table("heater"))
	w.Sensors = f.sensors(d, w.ID)
	w.Cleaned = f.cleaned(d, w.Commissioned)
	d.finish()
	return w
}

// minRatedSpanK is the least difference of a certificate's inlets: no rating
// test has less, so a smaller one is a slip. The value is our choice.
const minRatedSpanK = 10

func (f *studyReader) exchanger(d *section) Exchanger {
	const example = "copy the certificate's points, such as rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]"
	e := d.table("exchanger")
	e.require("rated", example)
	x := Exchanger{Orientation: Orientation(e.text("orientation", string(DefaultOrientation), orientationText))}
	points := e.tables("rated")
	if len(points) == 0 && e.isEmptyList("rated") {
		f.mistake(e.lineOf("rated"), e.key("rated"), "no point", example)
	}
	lines := map[float64]int{}
	for _, p := range points {
		p.require("flow_l_min", "state the flow on each side, l/min")
		p.require("effectiveness", "state it as a fraction, such as 0.57")
		point := RatedPoint{
			FlowLMin:      p.number("flow_l_min", math.NaN(), between(0.5, 100, "state litres a minute on each side")),
			Effectiveness: p.number("effectiveness", math.NaN(), between(0.01, 0.99, "state a fraction, such as 0.57 for 57 %")),
		}
		p.finish()
		if first, twice := lines[point.FlowLMin]; twice {
			f.mistake(p.lineOf("flow_l_min"), p.key("flow_l_min"),
				fmt.Sprintf("%g l/min is already stated on line %d", point.FlowLMin, first), "keep one value a flow")
		} else if !math.IsNaN(point.FlowLMin) {
			lines[point.FlowLMin] = p.lineOf("flow_l_min")
		}
		x.Rated = append(x.Rated, point)
	}
	slices.SortStableFunc(x.Rated, func(a, b RatedPoint) int { return cmp.Compare(a.FlowLMin, b.FlowLMin) })
	x.RatedColdInC = e.number("rated_cold_in_c", DefaultRatedColdInC,
		between(-1, 35, "state the cold inlet of the certificate's test in °C, such as 12.0"))
	x.RatedWasteInC = e.number("rated_waste_in_c", DefaultRatedWasteInC,
		between(9, 70, "state the waste inlet of the certificate's test in °C, such as 40.0"))
	if !(x.RatedWasteInC-x.RatedColdInC >= minRatedSpanK) {
		at := "rated_waste_in_c"
		if !e.has(at) {
			at = "rated_cold_in_c"
		}
		e.mistake(at, fmt.Sprintf("the waste inlet of %g °C is less than %d K above the cold inlet of %g °C", x.RatedWasteInC, minRatedSpanK, x.RatedColdInC),
			"copy both inlet temperatures from the certificate")
	}
	e.finish()
	return x
}

func (f *studyReader) heater(h *section) Heater {
	defer h.finish()
	return Heater{
		Kind:           h.text("kind", DefaultHeaterKind, anyText),
		Efficiency:     h.number("efficiency", DefaultHeaterEfficiency, between(0.1, 8, "state a fraction, such as 0.88 for 88 %, above 1 for a heat pump")),
		CarbonKgPerKWh: h.number("carbon_kg_per_kwh", math.NaN(), between(0, 5, "state kilograms a kWh of fuel or electricity")),
		PricePerKWh:    h.number("price_per_kwh", math.NaN(), between(0, 1e6, "state the price of a kWh of fuel or electricity")),
		Currency:       h.text("currency", DefaultCurrency, currencyText),
		HotC:           h.number("hot_c", DefaultHotC, between(30, 95, "state the delivery temperature in °C")),
	}
}

// sensorKeys says which keys describe a flow sensor (true) or a temperature
// clamp (false); the others describe both.
var sensorKeys = map[string]bool{
	"offset_k": false, "u95_k": false, "response_s": false, "loss_fraction": false,
	"scale": true, "u95_relative": true,
}

func (f *studyReader) sensors(d *section, id string) []Sensor {
	type place struct {
		channel Channel
		node    string
	}
	var sensors []Sensor
	lines := map[place]int{}
	for _, t := range d.tables("sensor") {
		t.require("channel", "state which of "+strings.Join(channelNames[:], ", ")+" it measures")
		name := t.text("channel", "", channelText)
		channel, known := ParseChannel(name)
		s := DefaultSensor(channel)
		s.Node = t.text("node", "", idText)
		s.Name = t.text("name", "", senmlName)
		s.OffsetK = t.number("offset_k", s.OffsetK, between(-20, 20, "state the kelvins to subtract from the reading"))
		s.U95K = t.number("u95_k", s.U95K, between(1e-4, 20, "state the expanded uncertainty (k = 2) in kelvins, such as 0.3"))
		s.ResponseS = t.number("response_s", s.ResponseS, between(0, 600, "state the time constant in seconds, 0 for none"))
		s.LossFraction = t.number("loss_fraction", s.LossFraction, between(0, 0.5, "state a fraction, such as 0.03 for 3 %"))
		s.Scale = t.number("scale", s.Scale, between(0.1, 10, "state the factor that turns the reading into the flow, 1 for none"))
		s.U95Relative = t.number("u95_relative", s.U95Relative, between(1e-6, 1, "state a fraction, such as 0.03 for 3 % (k = 2)"))
		t.finish()
		if !known {
			continue
		}
		f.wrongKind(t, channel)
		at := place{channel, s.Node}
		if first, twice := lines[at]; twice {
			f.mistake(t.t.line, t.path, fmt.Sprintf("%s is already described on line %d", at.channel, first),
				"keep one of them, or give each the node it belongs to")
		} else {
			lines[at] = t.t.line
		}
		if s.Name != "" {
			f.named = append(f.named, namedSensor{s.Name, id, channel, t})
		}
		sensors = append(sensors, s)
	}
	return sensors
}

// wrongKind names keys of a flow sensor on a temperature and the reverse.
func (f *studyReader) wrongKind(t *section, c Channel) {
	for _, key := range slices.Sorted(maps.Keys(sensorKeys)) {
		ofFlow := sensorKeys[key]
		if !t.has(key) || ofFlow == c.IsFlow() {
			continue
		}
		if ofFlow {
			f.mistake(t.lineOf(key), t.key(key), fmt.Sprintf("belongs to a flow, and %s is a temperature", c), "leave it out; offset_k and u95_k describe a temperature")
		} else {
			f.mistake(t.lineOf(key), t.key(key), fmt.Sprintf("belongs to a temperature, and %s is a flow", c), "leave it out; scale and u95_relative describe a flow")
		}
	}
}

// A namedSensor is a sensor of which the file states the SenML name.
type namedSensor struct {
	name     string
	dwelling string
	channel  Channel
	at       *section
}

// names finds a name that two sensors have, or that, read as
// <dwelling>/<node>/<channel>, is another sensor's place. The dwellings' ids
// are the keys of the map.
func (f *studyReader) names(dwellings map[string]int) {
	lines := map[string]int{}
	for _, n := range f.named {
		line := n.at.lineOf("name")
		if first, taken := lines[n.name]; taken {
			f.mistake(line, n.at.key("name"), fmt.Sprintf("%q is already a sensor's name on line %d", n.name, first), "names must differ over the whole study")
			continue
		}
		lines[n.name] = line
		parts := strings.Split(n.name, "/")
		if len(parts) != 3 || parts[0] == n.dwelling && parts[2] == n.channel.String() {
			continue
		}
		_, dwelling := dwellings[parts[0]]
		_, channel := ParseChannel(parts[2])
		if dwelling && channel {
			f.mistake(line, n.at.key("name"), fmt.Sprintf("%q already means %s of dwelling %s", n.name, parts[2], parts[0]),
				"leave the name out where the node uses <dwelling>/<node>/<channel>")
		}
	}
}

func (f *studyReader) cleaned(d *section, commissioned Date) []Date {
	var days []Date
	for _, t := range d.tables("cleaned") {
		t.require("on", "state the day, such as on = 2026-06-02")
		day := t.date("on")
		t.finish()
		if day.IsZero() {
			continue
		}
		switch {
		case slices.Contains(days, day):
			f.mistake(t.lineOf("on"), t.key("on"), day.String()+" is stated twice", "keep one of them")
		case compareDates(day, commissioned) < 0:
			f.mistake(t.lineOf("on"), t.key("on"), fmt.Sprintf("%s is before the unit was commissioned on %s", day, commissioned), "correct one of the two days")
		}
		days = append(days, day)
	}
	slices.SortFunc(days, compareDates)
	return days
}

func compareDates(a, b Date) int {
	return cmp.Or(cmp.Compare(a.Year, b.Year), cmp.Compare(a.Month, b.Month), cmp.Compare(a.Day, b.Day))
}

// A textRule says what a string must be; want completes "want ...".
type textRule struct {
	ok     func(string) bool
	want   string
	remedy string
}

func matching(pattern, want, remedy string) textRule {
	re := regexp.MustCompile(`\A(?:` + pattern + `)\z`)
	return textRule{re.MatchString, want, remedy}
}

func oneOf(words ...string) textRule {
	return textRule{
		func(s string) bool { return slices.Contains(words, s) },
		"one of " + strings.Join(words, ", "),
		"write it as there, in small letters",
	}
}

var (
	anyText = textRule{ok: func(string) bool { return true }}
	// Ids become topic levels, file names and the beginning of SenML names,
	// which must begin with a letter or digit (RFC 8428 section 4.5.1).
	// 128 is what ingest takes too.
	idText = matching(`[A-Za-z0-9][-A-Za-z0-9_.:]{0,127}`,
		"1 to 128 letters a-z, A-Z, digits, '-', '_', '.' or ':', the first a letter or digit",
		"leave out blanks, accents, '/', '+' and '#'")
	connectionText = matching("[ABC]", "A, B or C",
		"A feeds the mixer's cold side and the water heater, B the mixer only, C the heater only")
	orientationText = oneOf(string(Vertical), string(Horizontal))
	channelText     = oneOf(channelNames[:]...)
	currencyText    = matching("[A-Z]{3}", "three capital letters", `use the ISO 4217 code, such as "EUR"`)
	// RFC 8428 section 4.5.1.
	senmlName = matching(`[A-Za-z0-9][-A-Za-z0-9:._/]*`, "a SenML name: letters, digits and - : . _ /, the first a letter or digit",
		"copy the resolved name (base name and name) that the node sends")
)
