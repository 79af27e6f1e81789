package studyfile

import (
	"cmp"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"time"

	"greywatt"
)

// What stands where the study file is silent; see [Read]. The heater's
// values are common practice for a condensing gas boiler, not of a standard.
const (
	defaultTimezone         = "UTC"
	defaultOrientation      = greywatt.Vertical
	defaultHeaterKind       = "unstated"
	defaultHeaterEfficiency = 0.9
	defaultCurrency         = "EUR"
	defaultHotC             = 55.0
)

// A reader turns the tree into a study and collects what is wrong.
type reader struct {
	mistakes Mistakes
	named    []namedSensor
	keys     *[]Key          // where they are wanted; see [Keys]
	beside   fs.FS           // the folder of the study file; nil: not known
	table    string          // name of the table of dwellings; empty: none
	partial  bool            // what is read is no whole dwelling: nothing of one need be there
	told     map[string]bool // mistakes in what several dwellings have in common; nil: nothing is
	begun    bool            // there need not be a dwelling yet
}

func (f *reader) mistake(line int, key, what, remedy string) {
	if f.told != nil {
		of := fmt.Sprint(line, ownKey(key), what)
		if f.told[of] {
			return
		}
		f.told[of] = true
	}
	f.mistakes = append(f.mistakes, Mistake{Line: line, Key: key, What: what, Remedy: remedy})
}

func (f *reader) study(root *section) *greywatt.Study {
	head := root.table("study")
	s := &greywatt.Study{Name: head.text("name", "", anyText), Timezone: head.timezone("timezone")}
	rows := f.rows(head)
	head.finish()

	common := f.layers(root)
	list := root.tables("dwelling")
	if len(list)+len(rows) == 0 && !f.begun && !root.has("dwelling") && !root.t.damaged && !head.has("dwellings") {
		f.mistake(1, "dwelling", "the study has none", "add a [[dwelling]] with id, connection and exchanger.rated")
	}
	lines := map[string]int{}
	for _, d := range common.under(list, rows) {
		w := f.dwelling(d)
		if !w.Left.IsZero() {
			t := time.Date(w.Left.Year, w.Left.Month, w.Left.Day+1, 0, 0, 0, 0, s.Timezone)
			w.LeftOut = []greywatt.LeftOut{{From: greywatt.InstantOf(t), To: math.MaxInt64, Reason: "the dwelling has left the study"}}
		}
		s.Dwellings = append(s.Dwellings, w)
		id := w.ID
		if first, taken := lines[id]; taken && id != "" {
			f.mistake(d.lineOf("id"), d.key("id"), "already the dwelling on "+f.where(first), "give each dwelling an id of its own")
		} else {
			lines[id] = d.lineOf("id")
		}
	}
	f.names(lines)
	s.Dataset = f.publication(root)
	root.value("recipe") // read and checked by package recipe
	root.finish()
	return s
}

func (f *reader) dwelling(d *section) greywatt.Dwelling {
	d.require("id", `give it one that names no person, such as id = "larch-04"`)
	d.require("connection", `state what the preheated water feeds, such as connection = "A"`)
	w := greywatt.Dwelling{ID: d.text("id", "", idText)}
	if letter := d.text("connection", "", connectionText); len(letter) == 1 {
		w.Connection = greywatt.Connection(letter[0])
	}
	w.Group = d.text("group", "", idText)
	f.dates(d, &w)
	w.Exchanger = f.exchanger(d.table("exchanger"))
	w.Heater = f.heater(d.table("heater"))
	w.Sensors = f.sensors(d, w.ID)
	w.Cleaned = f.cleaned(d, w.Commissioned)
	d.finish()
	return w
}

// dates reads the days of a dwelling's course through the study.
func (f *reader) dates(d *section, w *greywatt.Dwelling) {
	var before string
	var last greywatt.Date
	take := func(name string, day greywatt.Date) greywatt.Date {
		if day.IsZero() {
			return day
		}
		if day.Compare(last) < 0 {
			d.mistake(name, fmt.Sprintf("%s is before %s, which is %s", day, before, last), "correct one of the two days")
		}
		before, last = name, day
		return day
	}
	w.Recruited = take("recruited", d.date("recruited"))
	w.Fitted = take("fitted", d.date("fitted"))
	w.Commissioned = take("commissioned", d.date("commissioned"))
	w.Left = take("left", d.date("left"))
}

// minRatedSpanK is the least difference of a certificate's inlets: no rating
// test has less, so a smaller one is a slip. The value is our choice.
const minRatedSpanK = 10

func (f *reader) exchanger(e *section) greywatt.Exchanger {
	const example = "copy the certificate's points, such as rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]"
	e.require("rated", example)
	x := greywatt.Exchanger{Orientation: greywatt.Orientation(e.text("orientation", string(defaultOrientation), orientationText))}
	points := e.tables("rated")
	if len(points) == 0 && e.isEmptyList("rated") {
		f.mistake(e.lineOf("rated"), e.key("rated"), "no point", example)
	}
	lines := map[float64]int{}
	for _, p := range points {
		p.require("flow_l_min", "state the flow on each side, l/min")
		p.require("effectiveness", "state it as a fraction, such as 0.57")
		point := greywatt.RatedPoint{
			FlowLMin:      p.number("flow_l_min", math.NaN(), between(0.5, 100, "state litres a minute on each side")),
			Effectiveness: p.number("effectiveness", math.NaN(), between(0.01, 0.99, "state a fraction, such as 0.57 for 57 %")),
		}
		p.finish()
		if first, twice := lines[point.FlowLMin]; twice {
			f.mistake(p.lineOf("flow_l_min"), p.key("flow_l_min"),
				fmt.Sprintf("%g l/min is already stated on %s", point.FlowLMin, f.where(first)), "keep one value a flow")
		} else if !math.IsNaN(point.FlowLMin) {
			lines[point.FlowLMin] = p.lineOf("flow_l_min")
		}
		x.Rated = append(x.Rated, point)
	}
	slices.SortStableFunc(x.Rated, func(a, b greywatt.RatedPoint) int { return cmp.Compare(a.FlowLMin, b.FlowLMin) })
	x.RatedColdInC = e.number("rated_cold_in_c", greywatt.DefaultRatedColdInC,
		between(-1, 35, "state the cold inlet of the certificate's test in °C, such as 12.0"))
	x.RatedWasteInC = e.number("rated_waste_in_c", greywatt.DefaultRatedWasteInC,
		between(9, 70, "state the waste inlet of the certificate's test in °C, such as 40.0"))
	if !(x.RatedWasteInC-x.RatedColdInC >= minRatedSpanK) {
		at := "rated_waste_in_c"
		if !e.has(at) {
			at = "rated_cold_in_c"
		}
		e.mistake(at, fmt.Sprintf("the waste inlet of %g °C is less than %d K above the cold inlet of %g °C", x.RatedWasteInC, minRatedSpanK, x.RatedColdInC),
			"copy both inlet temperatures from the certificate")
	}
	x.Serial, x.Place = e.text("serial", "", anyText), e.text("place", "", anyText)
	e.finish()
	return x
}

const relativeHelp = "state a fraction, such as 0.05 for 5 % (k = 2), 0 for exact"

func (f *reader) heater(h *section) greywatt.Heater {
	defer h.finish()
	return greywatt.Heater{
		Kind:           h.text("kind", defaultHeaterKind, anyText),
		Efficiency:     h.number("efficiency", defaultHeaterEfficiency, between(0.1, 8, "state a fraction, such as 0.88 for 88 %, above 1 for a heat pump")),
		CarbonKgPerKWh: h.number("carbon_kg_per_kwh", math.NaN(), between(0, 5, "state kilograms a kWh of fuel or electricity")),
		PricePerKWh:    h.number("price_per_kwh", math.NaN(), between(0, 1e6, "state the price of a kWh of fuel or electricity")),

		EfficiencyU95Relative: h.number("efficiency_u95_relative", 0, between(0, 1, relativeHelp)),
		CarbonU95Relative:     h.number("carbon_u95_relative", 0, between(0, 1, relativeHelp)),
		PriceU95Relative:      h.number("price_u95_relative", 0, between(0, 1, relativeHelp)),
		Currency:              h.text("currency", defaultCurrency, currencyText),
		HotC:                  h.number("hot_c", defaultHotC, between(30, 95, "state the delivery temperature in °C")),
	}
}

func (f *reader) cleaned(d *section, commissioned greywatt.Date) []greywatt.Date {
	var days []greywatt.Date
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
		case day.Compare(commissioned) < 0:
			f.mistake(t.lineOf("on"), t.key("on"), fmt.Sprintf("%s is before the unit was commissioned on %s", day, commissioned), "correct one of the two days")
		}
		days = append(days, day)
	}
	slices.SortFunc(days, greywatt.Date.Compare)
	return days
}
