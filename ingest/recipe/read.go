package recipe

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
	"github.com/theory/jsonpath"

	"greywatt"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe/civil"
	"greywatt/ingest/recipe/quantity"
	"greywatt/ingest/studyfile"
	"greywatt/ingest/suggest"
)

// Read reads recipes: a file of one recipe's tables, or a study file with a
// section [recipe], or several [[recipe]]. A study file without one has none.
// Where there are mistakes the error is a [studyfile.Mistakes] with all that
// could be found.
func Read(r io.Reader) ([]*Recipe, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("read recipe: %w", err)
	}
	// A copy without room to spare: line numbers are told by the capacity left.
	data = slices.Clip(bytes.Clone(bytes.TrimPrefix(data, []byte("\ufeff"))))
	var shape map[string]any
	if err := toml.Unmarshal(data, &shape); err != nil {
		return nil, syntaxMistake(err)
	}
	f := &reader{lines: lineIndex(data)}
	tables, paths := f.tables(data, shape)
	var recipes []*Recipe
	for i := range tables {
		if f.wrongType {
			break // what is missing may be in the part that was not read
		}
		recipes = append(recipes, f.recipe(&tables[i], paths[i]))
	}
	if len(f.mistakes) > 0 {
		slices.SortStableFunc(f.mistakes, func(a, b studyfile.Mistake) int { return cmp.Compare(a.Line, b.Line) })
		return nil, f.mistakes
	}
	return recipes, nil
}

func syntaxMistake(err error) error {
	line := 1
	if at := (*toml.DecodeError)(nil); errors.As(err, &at) {
		line, _ = at.Position()
	}
	return studyfile.Mistakes{{Line: line, What: "not TOML: " + strings.TrimPrefix(err.Error(), "toml: "), Remedy: "text stands in quotes, each key on a line; see https://toml.io"}}
}

// A reader turns tables into recipes and collects what is wrong.
type reader struct {
	lines     map[string]int
	mistakes  studyfile.Mistakes
	wrongType bool
}

// tables returns the recipes' tables with the path of each.
func (f *reader) tables(data []byte, shape map[string]any) (tables []recipeTable, paths []string) {
	_, study := shape["dwelling"]
	if !study {
		_, study = shape["study"]
	}
	section, found := shape["recipe"]
	switch section.(type) {
	case nil:
		if study && !found {
			return nil, nil
		}
		tables, paths = make([]recipeTable, 1), []string{""}
		f.decode(data, &tables[0])
	case map[string]any:
		var file struct {
			Study    any         `toml:"study"`
			Dwelling any         `toml:"dwelling"`
			Recipe   recipeTable `toml:"recipe"`
		}
		f.decodeIn(data, &file)
		tables, paths = []recipeTable{file.Recipe}, []string{"recipe"}
	default:
		var file struct {
			Study    any           `toml:"study"`
			Dwelling any           `toml:"dwelling"`
			Recipe   []recipeTable `toml:"recipe"`
		}
		f.decodeIn(data, &file)
		tables = file.Recipe
		for i := range tables {
			paths = append(paths, fmt.Sprintf("recipe.%d", i))
		}
	}
	return tables, paths
}

func (f *reader) decode(data []byte, into any) {
	f.strict(data, into, func(string) bool { return true })
}

// decodeIn decodes a study file; keys beside the recipes are not this reader's.
func (f *reader) decodeIn(data []byte, into any) {
	f.strict(data, into, func(key string) bool { return strings.HasPrefix(key, "recipe.") })
}

func (f *reader) strict(data []byte, into any, ours func(key string) bool) {
	d := toml.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		return
	}
	if unknown := (*toml.StrictMissingError)(nil); errors.As(err, &unknown) {
		for _, e := range unknown.Errors {
			key := e.Key()
			if !ours(strings.Join(key, ".")) {
				continue
			}
			line, _ := e.Position()
			f.mistakes = append(f.mistakes, studyfile.Mistake{Line: line, Key: strings.Join(key, "."), What: "unknown key", Remedy: remedyFor(key)})
		}
		return
	}
	f.wrongType = true
	line, key := 1, ""
	if at := (*toml.DecodeError)(nil); errors.As(err, &at) {
		line, _ = at.Position()
		key = strings.Join(at.Key(), ".")
	}
	f.mistakes = append(f.mistakes, studyfile.Mistake{Line: line, Key: key, What: wrongType(err), Remedy: "see greywatt help recipe-file for what a key holds"})
}

var typeWords = strings.NewReplacer("string", "a text", "integer", "a whole number", "int", "a number", "float64", "a number", "float", "a number", "bool", "true or false", "boolean", "true or false", "array", "a list", "table", "a table")

var wrongTypeForm = regexp.MustCompile(`cannot (?:decode|store) (?:a )?TOML (\w+)(?: in(?:to)?| to).* type \*?(\w+)`)

// wrongType says in our words what the library says in those of Go.
func wrongType(err error) string {
	if m := wrongTypeForm.FindStringSubmatch(err.Error()); m != nil {
		return fmt.Sprintf("want %s, got %s", typeWords.Replace(m[2]), typeWords.Replace(m[1]))
	}
	return strings.TrimPrefix(err.Error(), "toml: ")
}

// remedyFor names the known key that is nearest to an unknown one.
func remedyFor(key []string) string {
	key = slices.DeleteFunc(slices.Clone(key), func(part string) bool {
		_, err := strconv.Atoi(part)
		return err == nil
	})
	if len(key) > 0 && key[0] == "recipe" {
		key = key[1:]
	}
	if len(key) == 0 {
		return "leave it out"
	}
	known := names(strings.Join(key[:len(key)-1], "."))
	if near, ok := suggest.Nearest(strings.ToLower(key[len(key)-1]), known); ok {
		return "did you mean " + near + "?"
	}
	return "known here: " + strings.Join(known, ", ")
}

// mistake notes one at a key of a table; a key that is missing gets the
// table's line.
func (f *reader) mistake(table, key, what, remedy string) {
	path := join(table, key)
	line := f.lines[path]
	for at := path; line == 0 && at != ""; line = f.lines[at] {
		cut := strings.LastIndexByte(at, '.')
		at = at[:max(cut, 0)]
	}
	f.mistakes = append(f.mistakes, studyfile.Mistake{Line: max(line, 1), Key: path, What: what, Remedy: remedy})
}

func (f *reader) recipe(t *recipeTable, path string) *Recipe {
	r := &Recipe{Name: t.Name}
	if t.File == nil && t.MQTT == nil {
		f.mistake(path, "file", "neither [file] nor [mqtt]", "say whether the readings come from files or over MQTT")
	}
	if t.File != nil {
		r.File = f.file(t.File, join(path, "file"))
	}
	if t.MQTT != nil {
		r.MQTT = f.mqtt(t.MQTT, join(path, "mqtt"))
	}
	json := r.MQTT != nil && r.MQTT.Payload == Object || r.File != nil && r.File.Format == JSON
	f.place(t, r, join(path, "place"), json)
	f.time(&t.Time, r, join(path, "time"), json)
	if len(t.Channel) == 0 {
		f.mistake(path, "channel", "no channel", "add a [[channel]] with channel, from and unit for each quantity")
	}
	for i := range t.Channel {
		r.Channels = append(r.Channels, f.channel(&t.Channel[i], r, fmt.Sprintf("%s.%d", join(path, "channel"), i), json))
	}
	f.twice(r, join(path, "channel"))
	return r
}

// twice names channels that two entries give for one place.
func (f *reader) twice(r *Recipe, path string) {
	if r.MQTT != nil && r.File == nil {
		return // topics of several nodes may give the same channel from different paths
	}
	type target struct {
		channel        greywatt.Channel
		dwelling, node string
	}
	first := map[target]int{}
	for i := range r.Channels {
		c := &r.Channels[i]
		k := target{c.Channel, c.Dwelling, c.Node}
		if j, ok := first[k]; ok {
			f.mistake(fmt.Sprintf("%s.%d", path, i), "channel", fmt.Sprintf("%s comes from %s already", c.Channel, r.Channels[j].From), "keep one of them, or give each the node or dwelling it belongs to")
			continue
		}
		first[k] = i
	}
}

func (f *reader) place(t *recipeTable, r *Recipe, path string, json bool) {
	p := &r.Place
	*p = Place{Dwelling: t.Place.Dwelling, Node: t.Place.Node, Dwellings: t.Place.Dwellings}
	p.DwellingFrom = f.ref(t.Place.DwellingFrom, path, "dwelling_from", json)
	p.NodeFrom = f.ref(t.Place.NodeFrom, path, "node_from", json)
	for key, id := range map[string]string{"dwelling": p.Dwelling, "node": p.Node} {
		f.id(id, path, key)
	}
	for _, name := range slices.Sorted(maps.Keys(p.Dwellings)) {
		if err := payload.CheckID(p.Dwellings[name]); err != nil {
			f.mistake(path, "dwellings", fmt.Sprintf("%q: %v", name, err), "write the id of the study file")
		}
	}
	if p.Dwelling != "" && !p.DwellingFrom.IsZero() {
		f.mistake(path, "dwelling_from", "both a fixed dwelling and where to find it", "keep one of the two")
	}
}

func (f *reader) id(id, path, key string) {
	if id == "" {
		return
	}
	if err := payload.CheckID(id); err != nil {
		f.mistake(path, key, err.Error(), "write an id as in the study file")
	}
}

// ref reads the name or number of a column, or a path.
func (f *reader) ref(v any, path, key string, json bool) Ref {
	switch v := v.(type) {
	case nil:
		return Ref{}
	case string:
		if v == "" {
			f.mistake(path, key, "is empty", "write the heading, the number or the path")
		}
		if json {
			f.jsonPath(v, path, key)
		}
		return Ref{Name: v}
	case int64:
		if v < 1 || v > 16384 || json {
			f.mistake(path, key, fmt.Sprintf("%d is no column", v), "columns are counted from 1; JSON wants a path such as $.temperature")
			return Ref{}
		}
		return Ref{Number: int(v)}
	}
	f.mistake(path, key, fmt.Sprintf("want a heading, a number or a path, got %v", v), `write it as "T1", 3 or "$.t1"`)
	return Ref{}
}

// jsonPath checks a path of RFC 9535.
func (f *reader) jsonPath(text, path, key string) {
	if _, err := jsonpath.Parse(text); err != nil {
		f.mistake(path, key, fmt.Sprintf("%q is not a JSONPath: %s", text, strings.TrimPrefix(err.Error(), "jsonpath: ")), "write one such as $.temperature or $.sensors[0].value (RFC 9535)")
	}
}

func (f *reader) time(t *timeTable, r *Recipe, path string, json bool) {
	r.Time = Time{NewestFirst: t.NewestFirst, Arrival: t.Arrival}
	if list, ok := t.From.([]any); ok {
		if len(list) < 1 || len(list) > 2 || json {
			f.mistake(path, "from", fmt.Sprintf("a list of %d", len(list)), "name one column, or a date's and a time of day's")
		}
		for _, v := range list {
			r.Time.From = append(r.Time.From, f.ref(v, path, "from", json))
		}
	} else if t.From != nil {
		r.Time.From = []Ref{f.ref(t.From, path, "from", json)}
	}
	fromArrival := t.Arrival && r.File == nil
	switch {
	case t.Arrival && r.File != nil:
		f.mistake(path, "arrival", "a file's rows do not arrive", "name the column with the time")
	case len(r.Time.From) == 0 && !fromArrival:
		f.mistake(path, "from", "missing", "say where the time is; over MQTT, arrival = true takes the moment of arrival")
	case len(r.Time.From) == 0:
		return
	}
	if t.Format == "" {
		f.mistake(path, "format", "missing", "say how the time is written: "+strings.Join(civil.FormatNames(), ", ")+", or a pattern such as \"DD.MM.YYYY hh:mm:ss\"")
		return
	}
	format, err := civil.ParseFormat(t.Format)
	if err != nil {
		f.mistake(path, "format", err.Error(), "see greywatt help recipe-file")
		return
	}
	r.Time.Format = format
	switch {
	case t.Timezone == "" && format.Local():
		f.mistake(path, "timezone", "missing, and the time is local", `name the zone, such as "Europe/Dublin", or "UTC"; "Etc/GMT-1" is an hour ahead of UTC all year`)
	case t.Timezone != "" && !format.Local():
		f.mistake(path, "timezone", fmt.Sprintf("a time of the form %s has its zone", format), "leave it out")
	case t.Timezone == "Local":
		f.mistake(path, "timezone", "depends on the machine", "name the zone")
	case t.Timezone != "":
		if r.Time.Zone, err = time.LoadLocation(t.Timezone); err != nil {
			f.mistake(path, "timezone", fmt.Sprintf("no time zone %q", t.Timezone), `use a name of the IANA time zone database, such as "Europe/Dublin"`)
		}
	}
}

func (f *reader) file(t *fileTable, path string) *File {
	d := &File{
		Format: FileFormat(t.Format), Encoding: strings.ToLower(t.Encoding), Decimal: '.', Delimiter: ',',
		Comment: t.Comment, SkipLines: t.SkipLines, Header: t.Header == nil || *t.Header, Sheet: t.Sheet, Samples: t.Samples, UnitsInRow2: t.UnitsInRow2,
	}
	switch d.Format {
	case CSV, JSON, Excel, Parquet:
	case "":
		f.mistake(path, "format", "missing", "write csv, json, xlsx or parquet")
	default:
		f.mistake(path, "format", fmt.Sprintf("%q", t.Format), "write csv, json, xlsx or parquet")
	}
	if _, ok := Encodings[d.Encoding]; !ok && d.Encoding != "" {
		f.mistake(path, "encoding", fmt.Sprintf("%q is not known", t.Encoding), "known are "+strings.Join(slices.Sorted(maps.Keys(Encodings)), ", "))
	}
	if t.Delimiter != "" {
		d.Delimiter, d.Blanks = f.delimiter(t.Delimiter, path)
	}
	d.Decimal = f.sign(t.Decimal, '.', ".,", path, "decimal")
	d.Thousands = f.sign(t.Thousands, 0, ".,' _", path, "thousands")
	switch {
	case d.Thousands == d.Decimal:
		f.mistake(path, "thousands", "is the decimal sign too", "state the other")
	case d.Format == CSV && d.Decimal == d.Delimiter:
		f.mistake(path, "decimal", "is the delimiter too", "state the other")
	}
	if t.SkipLines < 0 || t.SkipLines > 1000 {
		f.mistake(path, "skip_lines", fmt.Sprintf("%d", t.SkipLines), "write 0 to 1000")
	}
	if d.Samples != "" {
		f.jsonPath(d.Samples, path, "samples")
	}
	d.NameFrom = f.ref(t.NameFrom, path, "name_from", false)
	d.ValueFrom = f.ref(t.ValueFrom, path, "value_from", false)
	if d.NameFrom.IsZero() != d.ValueFrom.IsZero() {
		f.mistake(path, "name_from", "name_from and value_from belong together", "state both, for a table with a row for each value")
	}
	if !d.Header && d.Format == CSV {
		for key, ref := range map[string]Ref{"name_from": d.NameFrom, "value_from": d.ValueFrom} {
			if ref.Name != "" {
				f.mistake(path, key, "the table has no header", "write the column's number, from 1")
			}
		}
	}
	return d
}

func (f *reader) delimiter(text, path string) (c byte, blanks bool) {
	switch text {
	case "tab":
		return '\t', false
	case "blanks":
		return ' ', true
	}
	if len(text) != 1 || strings.ContainsAny(text, "\"\r\n.") || text[0] < ' ' && text[0] != '\t' {
		f.mistake(path, "delimiter", fmt.Sprintf("%q", text), `write one character such as ";", or "tab" or "blanks"`)
		return ',', false
	}
	return text[0], false
}

func (f *reader) sign(text string, or byte, known, path, key string) byte {
	if text == "" {
		return or
	}
	if len(text) != 1 || !strings.Contains(known, text) {
		f.mistake(path, key, fmt.Sprintf("%q", text), "write one of "+strings.Join(strings.Split(known, ""), " "))
		return or
	}
	return text[0]
}

func (f *reader) mqtt(t *mqttTable, path string) *MQTT {
	m := &MQTT{Payload: Payload(t.Payload), Samples: t.Samples}
	switch m.Payload {
	case Number, Text, Object:
	case "":
		f.mistake(path, "payload", "missing", "write json, number or text")
	default:
		f.mistake(path, "payload", fmt.Sprintf("%q", t.Payload), "write json, number or text")
	}
	if len(t.Topics) == 0 {
		f.mistake(path, "topics", "missing", `list the topics, such as ["home/{dwelling}/state"]`)
	}
	for _, pattern := range t.Topics {
		topic, err := ParseTopic(pattern)
		if err != nil {
			f.mistake(path, "topics", err.Error(), "see greywatt help recipe-file")
		}
		m.Topics = append(m.Topics, topic)
	}
	if m.Samples != "" {
		f.jsonPath(m.Samples, path, "samples")
	}
	return m
}

func (f *reader) channel(t *channelTable, r *Recipe, path string, json bool) Channel {
	c := Channel{Dwelling: t.Dwelling, Node: t.Node, Scale: 1, Offset: t.Offset, LeadOhm: t.LeadOhm}
	known := true
	c.Channel, known = greywatt.ParseChannel(t.Channel)
	if !known {
		f.mistake(path, "channel", fmt.Sprintf("%q is no channel", t.Channel), "write one of "+strings.Join(channelNames(), ", "))
	}
	byTopic := r.MQTT != nil && r.MQTT.Payload != Object
	switch {
	case t.From == nil && byTopic && len(f.channelTopics(r)) == 0:
	case t.From == nil:
		f.mistake(path, "from", "missing", "say which column, path or topic level it is")
	default:
		c.From = f.ref(t.From, path, "from", json)
	}
	if r.File != nil && !r.File.Header && r.File.Format == CSV && c.From.Number == 0 && !r.File.Long() {
		f.mistake(path, "from", "the table has no header", "write the column's number, from 1")
	}
	f.id(t.Dwelling, path, "dwelling")
	f.id(t.Node, path, "node")
	if t.Scale != nil {
		c.Scale = *t.Scale
	}
	if c.Scale == 0 || c.Scale != c.Scale {
		f.mistake(path, "scale", fmt.Sprintf("%v", c.Scale), "state the factor that turns the number into the unit")
	}
	for _, v := range t.Invalid {
		switch v := v.(type) {
		case int64:
			c.Invalid = append(c.Invalid, float64(v))
		case float64:
			c.Invalid = append(c.Invalid, v)
		case string:
			c.Missing = append(c.Missing, v)
		default:
			f.mistake(path, "invalid", fmt.Sprintf("%v", v), "list numbers and texts")
		}
	}
	f.unit(t, &c, path, known)
	return c
}

// channelTopics returns the patterns that name a level for the channel.
func (f *reader) channelTopics(r *Recipe) []Topic {
	return slices.DeleteFunc(slices.Clone(r.MQTT.Topics), func(t Topic) bool { return !t.Has("channel") })
}

// unit reads the unit, and what turns a resistance or a counter into the
// channel's own.
func (f *reader) unit(t *channelTable, c *Channel, path string, known bool) {
	want := []quantity.Kind{quantity.Temperature, quantity.Resistance}
	if c.IsFlow() {
		want = []quantity.Kind{quantity.Flow, quantity.Volume, quantity.Pulses}
	}
	if !known {
		want = nil
	}
	units := strings.Join(quantity.UnitNames(want...), ", ")
	if t.Unit == "" {
		f.mistake(path, "unit", "missing", "write one of "+units)
		return
	}
	var ok bool
	c.Unit, ok = quantity.ParseUnit(t.Unit)
	switch {
	case !ok:
		f.mistake(path, "unit", fmt.Sprintf("%q is not known", t.Unit), "write one of "+units)
		return
	case known && !slices.Contains(want, c.Unit.Kind):
		f.mistake(path, "unit", fmt.Sprintf("%s is no unit of %s", c.Unit.Name, c.Channel), "write one of "+units)
		return
	}
	f.resistor(t, c, path)
	f.counter(t, c, path)
}

func (f *reader) resistor(t *channelTable, c *Channel, path string) {
	isOhm := c.Unit.Kind == quantity.Resistance
	if isOhm == (t.Sensor == "") {
		if isOhm {
			f.mistake(path, "sensor", "missing: the unit is a resistance", "write pt100, pt1000, beta or steinhart-hart")
		} else {
			f.mistake(path, "sensor", "the unit is no resistance", "leave it out, or write unit = \"Ohm\"")
		}
		return
	}
	switch t.Sensor {
	case "":
	case "pt100":
		c.Resistor = quantity.Platinum(100)
	case "pt1000":
		c.Resistor = quantity.Platinum(1000)
	case "beta":
		if !(t.R25Ohm > 0 && t.BetaK > 0) {
			f.mistake(path, "sensor", "a thermistor by beta wants r25_ohm and beta_k", "copy both from its data sheet")
			return
		}
		c.Resistor = quantity.Beta(t.R25Ohm, t.BetaK)
	case "steinhart-hart":
		if len(t.SteinhartHart) != 3 {
			f.mistake(path, "steinhart_hart", "wants three coefficients", "copy a, b and c from its data sheet")
			return
		}
		c.Resistor = quantity.SteinhartHart(t.SteinhartHart[0], t.SteinhartHart[1], t.SteinhartHart[2])
	default:
		f.mistake(path, "sensor", fmt.Sprintf("%q", t.Sensor), "write pt100, pt1000, beta or steinhart-hart")
		return
	}
	if c.Resistor != nil && !strings.HasPrefix(t.Sensor, "pt") {
		if err := quantity.CheckThermistor(c.Resistor); err != nil {
			f.mistake(path, "sensor", err.Error(), "compare the constants with the data sheet")
		}
	}
}

func (f *reader) counter(t *channelTable, c *Channel, path string) {
	counted := c.Unit.Kind == quantity.Volume || c.Unit.Kind == quantity.Pulses
	switch {
	case counted && t.Counter == "":
		f.mistake(path, "counter", "missing: the unit is a volume or pulses", "write total, or since-last")
		return
	case !counted && t.Counter != "":
		f.mistake(path, "counter", fmt.Sprintf("%s is not counted", c.Unit.Name), "leave it out, or state a unit such as l, m3 or pulse")
		return
	case !counted:
		return
	case t.Counter != "total" && t.Counter != "since-last":
		f.mistake(path, "counter", fmt.Sprintf("%q", t.Counter), "write total, or since-last")
		return
	case c.Offset != 0:
		f.mistake(path, "offset", "a counter has none", "leave it out")
	}
	litres := c.Unit.Convert(1) * c.Scale
	if c.Unit.Kind == quantity.Pulses {
		switch {
		case t.LitresPerPulse > 0 && t.PulsesPerLitre == 0:
			litres *= t.LitresPerPulse
		case t.PulsesPerLitre > 0 && t.LitresPerPulse == 0:
			litres /= t.PulsesPerLitre
		default:
			f.mistake(path, "litres_per_pulse", "pulses want one of litres_per_pulse and pulses_per_litre, above 0", "copy it from the meter's plate")
		}
	} else if t.LitresPerPulse != 0 || t.PulsesPerLitre != 0 {
		f.mistake(path, "unit", fmt.Sprintf("the unit is %s, and litres a pulse are stated", c.Unit.Name), `write unit = "pulse", or leave them out`)
	}
	if litres <= 0 {
		f.mistake(path, "scale", "a counter's scale is above 0", "correct it")
	}
	if t.RollsOverAt < 0 || t.RollsOverAt > 0 && t.Counter != "total" {
		f.mistake(path, "rolls_over_at", "only a total rolls over, at a number above 0", "correct it or leave it out")
	}
	if t.MaxGapS < 0 {
		f.mistake(path, "max_gap_s", "is below 0", "state seconds")
	}
	c.Counter = &quantity.CounterLaw{Litres: litres, SinceLast: t.Counter == "since-last", RollsOver: t.RollsOverAt, MaxGapS: t.MaxGapS}
}

func channelNames() []string {
	var all []string
	for c := range greywatt.Channel(greywatt.NumChannels) {
		all = append(all, c.String())
	}
	return all
}
