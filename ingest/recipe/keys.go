package recipe

import (
	"reflect"
	"strings"
)

// The tables of a recipe as they are written. The tag doc says what a key means;
// [Keys] and the reader's names come from the same fields.

type recipeTable struct {
	Name    string         `toml:"name" doc:"the recipe's name, for messages"`
	Place   placeTable     `toml:"place"`
	Time    timeTable      `toml:"time"`
	File    *fileTable     `toml:"file"`
	MQTT    *mqttTable     `toml:"mqtt"`
	Channel []channelTable `toml:"channel"`
}

type placeTable struct {
	Dwelling     string            `toml:"dwelling" doc:"the dwelling of all readings; also import --dwelling"`
	Node         string            `toml:"node" doc:"the node of all readings; file or mqtt where nothing says it"`
	DwellingFrom any               `toml:"dwelling_from" doc:"the column or path that says the dwelling"`
	NodeFrom     any               `toml:"node_from" doc:"the column or path that says the node"`
	Dwellings    map[string]string `toml:"dwellings" doc:"what the source calls dwellings, and their ids in the study: { \"Flat 4\" = \"larch-04\" }"`
}

type timeTable struct {
	From        any    `toml:"from" doc:"the column or path with the time; a list of two for a date and a time of day"`
	Format      string `toml:"format" doc:"rfc3339, unix-s, unix-ms, unix-us, unix-ns, excel, or a pattern of YYYY YY MM M MON DD D hh h mm ss fff AM ZZZ"`
	Timezone    string `toml:"timezone" doc:"of local times, a name of the IANA time zone database"`
	NewestFirst bool   `toml:"newest_first" doc:"the rows go back in time, which decides between the two local times of a repeated hour"`
	Arrival     bool   `toml:"arrival" doc:"a message counts for the moment it arrives; a retained one is rejected then"`
}

type fileTable struct {
	Format      string `toml:"format" doc:"csv, json (a line each), xlsx or parquet; gzip and zip are recognised"`
	Encoding    string `toml:"encoding" doc:"of text: utf-8, utf-16, utf-16le, utf-16be, iso-8859-1, iso-8859-15, windows-1252, ..."`
	Delimiter   string `toml:"delimiter" doc:"between columns: a character, \"tab\", or \"blanks\" for any run of blanks"`
	Decimal     string `toml:"decimal" doc:"the decimal sign, \".\" or \",\""`
	Thousands   string `toml:"thousands" doc:"the sign between groups of digits, none unless stated"`
	Comment     string `toml:"comment" doc:"lines that begin with it are left out"`
	SkipLines   int    `toml:"skip_lines" doc:"lines before the header, or before the rows"`
	Header      *bool  `toml:"header" doc:"whether a line names the columns; without, columns are numbers from 1"`
	UnitsInRow2 bool   `toml:"units_line" doc:"the line after the header is left out: it holds units"`
	Sheet       string `toml:"sheet" doc:"of a workbook, the sheet; its first unless stated"`
	NameFrom    any    `toml:"name_from" doc:"of a table with a row for each value, the column that says which sensor"`
	ValueFrom   any    `toml:"value_from" doc:"of such a table, the column with the value"`
	Samples     string `toml:"samples" doc:"of JSON, the path of the samples in a line; the line itself unless stated"`
}

type mqttTable struct {
	Topics  []string `toml:"topics" doc:"patterns whose levels are fixed, +, {dwelling}, {node} or {channel}"`
	Payload string   `toml:"payload" doc:"json, number, or text with one number in it"`
	Samples string   `toml:"samples" doc:"of JSON, the path of the samples in a message; the message itself unless stated"`
}

type channelTable struct {
	Channel  string `toml:"channel" doc:"the channel, such as waste-in"`
	From     any    `toml:"from" doc:"its column (heading, or number from 1), sensor name, JSONPath, or topic level {channel}"`
	Dwelling string `toml:"dwelling" doc:"its dwelling, where one row has several"`
	Node     string `toml:"node" doc:"its node, where one row has several"`

	Unit    string   `toml:"unit" doc:"of the value: Cel, K, degF; l/s, l/min, l/h, m3/h, m3/s, gal_us/min, gal_uk/min; l, m3, pulse of counters; Ohm, kOhm"`
	Scale   *float64 `toml:"scale" doc:"value in the unit = scale · number + offset"`
	Offset  float64  `toml:"offset" doc:"see scale"`
	Invalid []any    `toml:"invalid" doc:"numbers that mean an error of the sensor, such as 85 or -127, and texts that mean no value"`

	Sensor        string    `toml:"sensor" doc:"of a resistance: pt100, pt1000 (IEC 60751), beta or steinhart-hart"`
	R25Ohm        float64   `toml:"r25_ohm" doc:"Ω at 25 °C of a thermistor by beta"`
	BetaK         float64   `toml:"beta_k" doc:"K, its constant"`
	SteinhartHart []float64 `toml:"steinhart_hart" doc:"the three coefficients of such a thermistor, for Ω and K"`
	LeadOhm       float64   `toml:"lead_ohm" doc:"Ω of the leads, subtracted"`

	Counter        string  `toml:"counter" doc:"total, where the value is a counter that only rises; since-last, where it is what ran since the value before"`
	LitresPerPulse float64 `toml:"litres_per_pulse" doc:"of unit pulse"`
	PulsesPerLitre float64 `toml:"pulses_per_litre" doc:"of unit pulse, instead"`
	RollsOverAt    float64 `toml:"rolls_over_at" doc:"the number at which a total begins at 0 again, such as 65536"`
	MaxGapS        float64 `toml:"max_gap_s" doc:"s, the longest interval that gives a mean flow; 300 unless stated"`
}

// A Key is one key of a recipe.
type Key struct {
	Path    string // such as channel.unit
	Type    string // text, number, yes or no, list, map, or text or number
	Meaning string
}

// Keys returns every key that [Read] takes, in the order of the tables.
func Keys() []Key { return keysOf(reflect.TypeFor[recipeTable](), "") }

func keysOf(t reflect.Type, path string) []Key {
	var keys []Key
	for i := range t.NumField() {
		f := t.Field(i)
		name := strings.TrimPrefix(path+"."+f.Tag.Get("toml"), ".")
		in := f.Type
		for in.Kind() == reflect.Pointer || in.Kind() == reflect.Slice && in.Elem().Kind() == reflect.Struct {
			in = in.Elem()
		}
		if in.Kind() == reflect.Struct {
			keys = append(keys, keysOf(in, name)...)
			continue
		}
		keys = append(keys, Key{name, typeName(in), f.Tag.Get("doc")})
	}
	return keys
}

func typeName(t reflect.Type) string {
	switch t.Kind() {
	case reflect.String:
		return "text"
	case reflect.Bool:
		return "true or false"
	case reflect.Slice:
		return "list"
	case reflect.Map:
		return "table"
	case reflect.Interface:
		return "text or number"
	}
	return "number"
}

// names returns the keys of the table at a path.
func names(path string) []string {
	var found []string
	for _, k := range Keys() {
		rest := k.Path
		if path != "" {
			var ok bool
			if rest, ok = strings.CutPrefix(k.Path, path+"."); !ok {
				continue
			}
		}
		first, _, _ := strings.Cut(rest, ".")
		if len(found) == 0 || found[len(found)-1] != first {
			found = append(found, first)
		}
	}
	return found
}
