package recipe

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	_ "time/tzdata"

	"greywatt/ingest/studyfile"
)

const good = `
[file]
format = "csv"
[time]
from = "t"
format = "unix-s"
[[channel]]
channel = "cold-in"
from = "c"
unit = "Cel"
`

// Every mistake is named with its line, and several at once.
func TestMistakes(t *testing.T) {
	for _, tt := range []struct {
		from, to string // a change to the good recipe
		want     []string
	}{
		{"", "", nil},
		{`unit = "Cel"`, `unit = "l/s"`, []string{"10: channel.0.unit: l/s is no unit of cold-in"}},
		{`unit = "Cel"`, `unit = "gal/min"`, []string{`10: channel.0.unit: "gal/min" is not known`}},
		{`unit = "Cel"`, ``, []string{"7: channel.0.unit: missing"}},
		{`unit = "Cel"`, `unit = "Ohm"`, []string{"7: channel.0.sensor: missing: the unit is a resistance"}},
		{`unit = "Cel"`, "unit = \"Cel\"\nsensor = \"pt100\"", []string{"11: channel.0.sensor: the unit is no resistance"}},
		{`unit = "Cel"`, "unit = \"Ohm\"\nsensor = \"beta\"", []string{"11: channel.0.sensor: a thermistor by beta wants"}},
		{`unit = "Cel"`, "unit = \"Ohm\"\nsensor = \"steinhart-hart\"\nsteinhart_hart = [1, 2, 3]", []string{"11: channel.0.sensor: no temperature"}},
		{`"cold-in"`, `"cold"`, []string{`8: channel.0.channel: "cold" is no channel`}},
		{"channel = \"cold-in\"", "channel = \"flow\"\ncounter = \"total\"", []string{"11: channel.0.unit: Cel is no unit of flow"}},
		{"\"cold-in\"\nfrom = \"c\"\nunit = \"Cel\"", "\"flow\"\nfrom = \"c\"\nunit = \"pulse\"\ncounter = \"total\"", []string{"7: channel.0.litres_per_pulse: pulses want one of"}},
		{"\"cold-in\"\nfrom = \"c\"\nunit = \"Cel\"", "\"flow\"\nfrom = \"c\"\nunit = \"l\"", []string{"7: channel.0.counter: missing"}},
		{`format = "unix-s"`, `format = "YYYY-MM-DD hh:mm"`, []string{"4: time.timezone: missing, and the time is local"}},
		{`format = "unix-s"`, "format = \"YYYY-MM-DD hh:mm\"\ntimezone = \"Dublin\"", []string{`7: time.timezone: no time zone "Dublin"`}},
		{`format = "unix-s"`, "format = \"unix-s\"\ntimezone = \"UTC\"", []string{"7: time.timezone: a time of the form unix-s has its zone"}},
		{`format = "unix-s"`, `format = "epoch"`, []string{`6: time.format: time format "epoch" has no year`}},
		{`from = "t"`, `form = "t"`, []string{"4: time.from: missing", "5: time.form: unknown key; did you mean from?"}},
		{`format = "csv"`, "format = \"csv\"\ndecimal = \",\"", []string{"4: file.decimal: is the delimiter too"}},
		{`format = "csv"`, "format = \"csv\"\nencoding = \"ebcdic\"", []string{`4: file.encoding: "ebcdic" is not known`}},
		{`format = "csv"`, "format = \"csv\"\nheader = false", []string{"10: channel.0.from: the table has no header"}},
		{`format = "csv"`, "format = \"csv\"\nskip_lines = \"two\"", []string{"4: file.skip_lines: want a number, got a text"}},
		{`format = "csv"`, "format = \"json\"", []string{`5: time.from: "t" is not a JSONPath`, `9: channel.0.from: "c" is not a JSONPath`}},
		{"[file]\nformat = \"csv\"", "[mqtt]\npayload = \"number\"\ntopics = [\"a/#\", \"b/{home}\"]", []string{"4: mqtt.topics: topic \"a/#\": \"#\" is no level", "4: mqtt.topics: topic \"b/{home}\""}},
		{"[file]\nformat = \"csv\"", "", []string{"1: file: neither [file] nor [mqtt]"}},
		{"[file]", "[file", []string{"2: not TOML"}},
		{`unit = "Cel"`, "unit = \"Cel\"\n[[channel]]\nchannel = \"cold-in\"\nfrom = \"d\"\nunit = \"Cel\"", []string{"12: channel.1.channel: cold-in comes from c already"}},
		{"[[channel]]", "[place]\ndwelling = \"a/b\"\n[[channel]]", []string{"8: place.dwelling: id \"a/b\""}},
	} {
		text := strings.Replace(good, tt.from, tt.to, 1)
		rs, err := Read(strings.NewReader(text))
		if len(tt.want) == 0 {
			if err != nil || len(rs) != 1 {
				t.Errorf("the good one: %v", err)
			}
			continue
		}
		var mistakes studyfile.Mistakes
		if !errors.As(err, &mistakes) || len(mistakes) != len(tt.want) {
			t.Errorf("%s: %v; want %q", tt.to, err, tt.want)
			continue
		}
		for i, m := range mistakes {
			if !strings.HasPrefix(m.String(), tt.want[i]) || m.Remedy == "" {
				t.Errorf("%s: %q, want %q and a remedy", tt.to, m, tt.want[i])
			}
		}
	}
}

// A study file may have a recipe, several, or none; lines are those of the file.
func TestInStudyFile(t *testing.T) {
	const study = "[study]\nname = \"x\"\n[[dwelling]]\nid = \"larch-04\"\n"
	in := func(header string) string {
		text := strings.ReplaceAll(good, "[[channel]]", "[["+header+".channel]]")
		return strings.NewReplacer("[file]", "["+header+".file]", "[time]", "["+header+".time]").Replace(text)
	}
	for text, want := range map[string]int{
		study: 0, study + in("recipe"): 1, study + "[[recipe]]\nname = \"a\"\n" + in("recipe") + "[[recipe]]\nname = \"b\"\n" + in("recipe"): 2,
	} {
		rs, err := Read(strings.NewReader(text))
		if err != nil || len(rs) != want {
			t.Errorf("%d recipes, %v; want %d", len(rs), err, want)
		}
	}
	_, err := Read(strings.NewReader(study + "[[recipe]]\n" + strings.Replace(in("recipe"), `"Cel"`, `"Fahr"`, 1)))
	if err == nil || !strings.HasPrefix(err.Error(), `line 15: recipe.0.channel.0.unit: "Fahr" is not known`) {
		t.Error(err)
	}
}

// Every key has a meaning, and no two share a path.
func TestKeys(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range Keys() {
		if k.Meaning == "" || k.Path == "" || seen[k.Path] {
			t.Errorf("%+v", k)
		}
		seen[k.Path] = true
	}
	if !seen["channel.unit"] || !seen["file.delimiter"] || !seen["time.timezone"] || len(seen) < 35 {
		t.Errorf("%d keys", len(seen))
	}
}

func TestParseNumber(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		text               string
		decimal, thousands byte
		want               float64 // NaN: none
	}{
		{"21.5", '.', 0, 21.5}, {"-0.25", '.', 0, -0.25}, {"+7", '.', 0, 7}, {".5", '.', 0, 0.5}, {"5.", '.', 0, 5},
		{"21,5", ',', 0, 21.5}, {"21,5", '.', 0, nan}, {"21.5", ',', 0, nan},
		{"1,234.5", '.', ',', 1234.5}, {"1.234.567,5", ',', '.', 1234567.5}, {"1'234", '.', '\'', 1234}, {"1 234,5", ',', ' ', 1234.5},
		{"1.5", ',', '.', nan}, {"12.34,5", ',', '.', nan}, {"1234.567", ',', '.', nan}, {"1.234.5", ',', '.', nan}, {".234", ',', '.', nan},
		{"1e3", '.', 0, 1000}, {"2,5E-1", ',', 0, 0.25}, {"1768199400250000000", '.', 0, 1768199400250000000},
		{"0.1234567890123456789", '.', 0, 0.12345678901234568},
		{"", '.', 0, nan}, {"-", '.', 0, nan}, {"1.2.3", '.', 0, nan}, {"NaN", '.', 0, nan}, {"0x10", '.', 0, nan}, {"1_0", '.', 0, nan}, {"21.5C", '.', 0, nan}, {"--1", '.', 0, nan}, {"1e", '.', 0, nan},
	} {
		got, ok := ParseNumber([]byte(tt.text), tt.decimal, tt.thousands)
		if ok == math.IsNaN(tt.want) || ok && got != tt.want {
			t.Errorf("%q with %q and %q: %v, %v; want %v", tt.text, tt.decimal, tt.thousands, got, ok, tt.want)
		}
	}
}

// What is read is what strconv reads, and only that.
func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"21.5", "-1e-7", "9007199254740993", "0.1", "123456789.123456789", "1.", ".", "+.5"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, ok := ParseNumber([]byte(s), '.', 0)
		if !ok {
			return
		}
		want, err := strconv.ParseFloat(s, 64)
		if err != nil || got != want {
			t.Errorf("%q: %v, strconv %v, %v", s, got, want, err)
		}
	})
}

func FuzzRead(f *testing.F) {
	f.Add(good)
	f.Add("[recipe.mqtt]\ntopics=[\"a\"]\n[[recipe.channel]]\nunit=\"Ohm\"")
	f.Fuzz(func(t *testing.T, text string) {
		rs, err := Read(strings.NewReader(text))
		if err != nil {
			if rs != nil || err.Error() == "" {
				t.Errorf("%v with %d recipes", err, len(rs))
			}
			return
		}
		for _, r := range rs {
			if r.File == nil && r.MQTT == nil || len(r.Channels) == 0 {
				t.Errorf("a recipe for nothing: %+v", r)
			}
		}
	})
}

func TestTopics(t *testing.T) {
	for _, tt := range []struct{ pattern, topic, want string }{
		{"home/{dwelling}/{node}/{channel}", "home/a/b/c", "a b c true"},
		{"home/{dwelling}/{node}/{channel}", "home/a/b", "   false"},
		{"home/{dwelling}", "home/a/b", "   false"},
		{"+/{channel}", "x/y", "  y true"},
		{"a/b", "a/b", "   true"},
		{"a/b", "a/c", "   false"},
	} {
		p, err := ParseTopic(tt.pattern)
		if err != nil {
			t.Fatal(err)
		}
		d, n, c, ok := p.Match(tt.topic)
		if got := fmt.Sprintf("%s %s %s %v", d, n, c, ok); got != tt.want {
			t.Errorf("%s on %s: %q, want %q", tt.pattern, tt.topic, got, tt.want)
		}
	}
	for pattern, want := range map[string]bool{"greywatt/{dwelling}/{node}/senml": true, "greywatt/{dwelling}/{node}/{channel}": true, "greywatt/{dwelling}/temps": false, "+/+/+/+": true, "home/{dwelling}/{node}/senml": false} {
		p, err := ParseTopic(pattern)
		if err != nil || p.OwnTopics("greywatt") != want {
			t.Errorf("%s takes the study's own topics: %v, %v; want %v", pattern, p.OwnTopics("greywatt"), err, want)
		}
	}
	if p, _ := ParseTopic("home/{dwelling}/+/state"); p.Filter() != "home/+/+/state" {
		t.Error(p.Filter())
	}
}
