package message

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/recipe"
)

// The example document of RFC 9535, section 1.5, figure 1.
const store = `{ "store": {
    "book": [
      { "category": "reference", "author": "Nigel Rees", "title": "Sayings of the Century", "price": 8.95 },
      { "category": "fiction", "author": "Evelyn Waugh", "title": "Sword of Honour", "price": 12.99 },
      { "category": "fiction", "author": "Herman Melville", "title": "Moby Dick", "isbn": "0-553-21311-3", "price": 8.99 },
      { "category": "fiction", "author": "J. R. R. Tolkien", "title": "The Lord of the Rings", "isbn": "0-395-19395-8", "price": 22.99 }
    ],
    "bicycle": { "color": "red", "price": 399 }
  } }`

// The examples of RFC 9535, tables 2, 5, 7 and 9, and section 2.3.3.3, from memory: those of
// one place go the short way, the others that of the library.
func TestRFC9535(t *testing.T) {
	for _, tt := range []struct {
		path, doc string
		want      string // the values, as JSON; in any order where sorted
		short     bool
	}{
		{"$.store.book[*].author", store, `["Nigel Rees","Evelyn Waugh","Herman Melville","J. R. R. Tolkien"]`, false},
		{"$..author", store, `["Nigel Rees","Evelyn Waugh","Herman Melville","J. R. R. Tolkien"]`, false},
		{"$.store..price", store, `[399,8.95,12.99,8.99,22.99]`, false},
		{"$..book[2].author", store, `["Herman Melville"]`, false},
		{"$..book[2].publisher", store, `[]`, false},
		{"$..book[-1].title", store, `["The Lord of the Rings"]`, false},
		{"$..book[:2].title", store, `["Sayings of the Century","Sword of Honour"]`, false},
		{"$..book[?@.price<10].title", store, `["Sayings of the Century","Moby Dick"]`, false},
		{"$.store.bicycle.price", store, `[399]`, true},
		{"$['store']['book'][3]['price']", store, `[22.99]`, true},
		{"$.store.book[-4].price", store, `[8.95]`, true},
		{"$.store.book[4].price", store, `[]`, true},
		{"$.store.book.price", store, `[]`, true},
		{"$.o['j j']", `{"o":{"j j":{"k.k":3}},"'":{"@":2}}`, `[{"k.k":3}]`, true},
		{"$.o['j j']['k.k']", `{"o":{"j j":{"k.k":3}},"'":{"@":2}}`, `[3]`, true},
		{`$["'"]["@"]`, `{"o":{"j j":{"k.k":3}},"'":{"@":2}}`, `[2]`, true},
		{"$[1]", `["a","b"]`, `["b"]`, true},
		{"$[-2]", `["a","b"]`, `["a"]`, true},
		{"$", `{"k":"v"}`, `[{"k":"v"}]`, false},
	} {
		p, err := parsePath(tt.path)
		if err != nil {
			t.Errorf("%s: %v", tt.path, err)
			continue
		}
		if (p.steps != nil) != tt.short {
			t.Errorf("%s goes the short way: %v", tt.path, p.steps != nil)
		}
		var doc any
		var want []any
		if err := json.Unmarshal([]byte(tt.doc), &doc); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(tt.want), &want); err != nil {
			t.Fatal(err)
		}
		for _, got := range [][]any{p.all(doc), p.full.Select(doc)} {
			if !sameNodes(got, want) {
				t.Errorf("%s selects %v, want %v", tt.path, got, want)
			}
		}
	}
}

// sameNodes compares without regard to order: members of an object have none.
func sameNodes(a, b []any) bool {
	text := func(nodes []any) (all []string) {
		for _, n := range nodes {
			all = append(all, fmt.Sprint(n))
		}
		slices.Sort(all)
		return all
	}
	return reflect.DeepEqual(text(a), text(b))
}

const times = `[time]
from = "$.t"
format = "unix-s"
`

const arrival = "[time]\narrival = true\n"

var now = greywatt.InstantOf(time.Date(2026, 1, 12, 7, 0, 0, 0, time.UTC))

type only string

func (o only) Knows(dwelling string) bool { return dwelling == string(o) }

func decoder(t testing.TB, text string) *Decoder {
	t.Helper()
	rs, err := recipe.Read(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	d, err := NewDecoder(rs, only("larch-04"))
	if err != nil || d == nil {
		t.Fatal(d, err)
	}
	return d
}

func TestMessages(t *testing.T) {
	plain := "[mqtt]\ntopics = [\"home/{dwelling}/{node}/{channel}\"]\npayload = \"number\"\n" + arrival +
		"[[channel]]\nchannel = \"cold-in\"\nfrom = \"t3\"\nunit = \"K\"\n[[channel]]\nchannel = \"flow\"\nfrom = \"q\"\nunit = \"l/h\"\ninvalid = [-1, \"off\"]\n"
	fixed := "[mqtt]\ntopics = [\"boiler/cold\"]\npayload = \"text\"\n" + arrival + "[place]\ndwelling = \"larch-04\"\nnode = \"b\"\n[[channel]]\nchannel = \"cold-in\"\nunit = \"Cel\"\n"
	objects := "[mqtt]\ntopics = [\"+/{node}/json\"]\npayload = \"json\"\n" + times + "[place]\ndwelling_from = \"$.who\"\n[place.dwellings]\nflat4 = \"larch-04\"\n" +
		"[[channel]]\nchannel = \"waste-in\"\nfrom = \"$.temps[?@.name == 'in'].c\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"cold-in\"\nfrom = \"$.cold\"\nunit = \"Cel\"\n"
	either := "[mqtt]\ntopics = [\"x/{dwelling}\"]\npayload = \"json\"\n" + arrival + "from = \"$.t\"\nformat = \"unix-ms\"\n[[channel]]\nchannel = \"cold-in\"\nfrom = \"$.c\"\nunit = \"Cel\"\n"
	const seven = 1768201200 // 2026-01-12T07:00:00Z, when all arrive
	for _, tt := range []struct {
		recipe, topic, body string
		retained            bool
		want                string // DWELLING/NODE/CHANNEL@S=VALUE, blanks between
		reasons             []ingest.Reason
	}{
		{plain, "home/larch-04/n7/t3", "283.65", false, fmt.Sprintf("larch-04/n7/cold-in@%d=10.5", seven), nil},
		{plain, "home/larch-04/n7/q", " 360 \n", false, fmt.Sprintf("larch-04/n7/flow@%d=0.1", seven), nil},
		{plain, "home/larch-04/n7/q", "off", false, "", nil},
		{plain, "home/larch-04/n7/q", "-1", false, "", []ingest.Reason{ingest.ErrorCode}},
		{plain, "home/larch-04/n7/q", "360 l/h", false, "", []ingest.Reason{ingest.NoNumber}},
		{plain, "home/larch-04/n7/q", "", false, "", nil},
		{plain, "home/larch-04/n7/p", "1.2", false, "", []ingest.Reason{ingest.UnknownChannel}},
		{plain, "home/elm-01/n7/q", "360", false, "", []ingest.Reason{ingest.UnknownDwelling}},
		{plain, "home/larch-04/n7/q", "360", true, "", []ingest.Reason{ingest.RetainedMessage}},
		{fixed, "boiler/cold", "cold water: 11,5 °C", false, fmt.Sprintf("larch-04/b/cold-in@%d=11.5", seven), nil},
		{fixed, "boiler/cold", "between 11 and 12", false, "", []ingest.Reason{ingest.NoNumber}},
		{objects, "any/n1/json", `{"who":"flat4","t":1768199400,"temps":[{"name":"out","c":20},{"name":"in","c":38.5}],"cold":"11.25"}`, false,
			"larch-04/n1/waste-in@1768199400=38.5 larch-04/n1/cold-in@1768199400=11.25", nil},
		{objects, "any/n1/json", `{"who":"flat4","t":1768199400,"temps":[{"name":"in","c":38},{"name":"in","c":39}],"cold":null}`, false, "", []ingest.Reason{ingest.NoNumber}},
		{objects, "any/n1/json", `{"who":"flat4","temps":[]}`, false, "", []ingest.Reason{ingest.BadTime}},
		{objects, "any/n1/json", `{"who":"flat4","t":4102444800,"cold":11}`, false, "", []ingest.Reason{ingest.FutureTime}},
		{objects, "any/n1/json", `{"who":"flat4","t":1768199400,"cold":true}`, false, "", []ingest.Reason{ingest.NoNumber}},
		{objects, "any/n1/json", `{"t":1768199400,"cold":11}`, false, "", []ingest.Reason{ingest.BadName}},
		{objects, "any/n1/json", `[`, false, "", []ingest.Reason{ingest.BadPayload}},
		{either, "x/larch-04", `{"t":1768199400000,"c":11}`, true, "larch-04/mqtt/cold-in@1768199400=11", nil},
		{either, "x/larch-04", `{"c":11}`, false, fmt.Sprintf("larch-04/mqtt/cold-in@%d=11", seven), nil},
		{either, "x/larch-04", `{"c":11}`, true, "", []ingest.Reason{ingest.BadTime}},
	} {
		rs, rejected, ok := decoder(t, tt.recipe).Decode(nil, nil, tt.topic, []byte(tt.body), now, tt.retained)
		var got []string
		for _, r := range rs {
			got = append(got, fmt.Sprintf("%s/%s/%s@%d=%g", r.Dwelling, r.Node, r.Channel, int64(r.At)/1e6, r.Value))
		}
		var reasons []ingest.Reason
		for _, r := range rejected {
			reasons = append(reasons, r.Reason)
			if r.Source != tt.topic || r.Detail == "" || r.At != now {
				t.Errorf("%s: rejected record without source, detail or time: %+v", tt.topic, r)
			}
		}
		if !ok || strings.Join(got, " ") != tt.want || !slices.Equal(reasons, tt.reasons) {
			t.Errorf("%s %s: %v %v, want %q %v", tt.topic, tt.body, got, rejected, tt.want, tt.reasons)
		}
	}
	if _, _, ok := decoder(t, fixed).Decode(nil, nil, "boiler/hot", nil, now, false); ok {
		t.Error("a topic that is none of the recipe's is taken")
	}
}

func TestOwner(t *testing.T) {
	d := decoder(t, "[mqtt]\ntopics = [\"a/{dwelling}/{node}\", \"b/{dwelling}\", \"c\"]\npayload = \"json\"\n"+times+"[[channel]]\nchannel = \"flow\"\nfrom = \"$.q\"\nunit = \"l/s\"\n")
	for topic, want := range map[string]string{"a/x/y": "x|y|true", "b/x": "x||true", "c": "||true", "a/x": "||false", "a/x/y/z": "||false", "b/": "||true"} {
		dwelling, node, ok := d.Owner(topic)
		if got := fmt.Sprintf("%s|%s|%v", dwelling, node, ok); got != want {
			t.Errorf("%s is of %s, want %s", topic, got, want)
		}
	}
}

func FuzzDecode(f *testing.F) {
	d := decoder(f, "[mqtt]\ntopics = [\"j/{dwelling}\"]\npayload = \"json\"\nsamples = \"$..s[*]\"\n"+times+
		"[[channel]]\nchannel = \"flow\"\nfrom = \"$.n\"\nunit = \"l\"\ncounter = \"total\"\n[[channel]]\nchannel = \"cold-in\"\nfrom = \"$.c[0]\"\nunit = \"Cel\"\n")
	text := decoder(f, "[mqtt]\ntopics = [\"j/{dwelling}\"]\npayload = \"text\"\n"+arrival+"[[channel]]\nchannel = \"cold-in\"\nunit = \"Cel\"\n")
	f.Add([]byte(`{"s":[{"t":1768199400,"n":1,"c":[11]},{"t":1768199401,"n":2,"c":["12"]}]}`), false)
	f.Add([]byte("about 11.5 C"), true)
	f.Fuzz(func(t *testing.T, body []byte, retained bool) {
		for _, d := range []*Decoder{d, text} {
			rs, rejected, ok := d.Decode(nil, nil, "j/larch-04", body, now, retained)
			if !ok {
				t.Error("the topic is not taken")
			}
			for _, r := range rs {
				if r.Dwelling != "larch-04" || !r.Channel.Plausible(r.Value) || r.At > now+86400e6 {
					t.Errorf("reading %+v of %q", r, body)
				}
			}
			for _, r := range rejected {
				if r.Reason == "" || r.Detail == "" || len(r.Record) > 1100 {
					t.Errorf("rejected record %+v", r)
				}
			}
		}
	})
}

func BenchmarkDecodeJSON(b *testing.B) {
	d := decoder(b, "[mqtt]\ntopics = [\"j/{dwelling}/{node}\"]\npayload = \"json\"\n"+times+
		"[[channel]]\nchannel = \"waste-in\"\nfrom = \"$.t1\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"waste-out\"\nfrom = \"$.t2\"\nunit = \"Cel\"\n"+
		"[[channel]]\nchannel = \"cold-in\"\nfrom = \"$.t3\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"preheat-out\"\nfrom = \"$.t4\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"flow\"\nfrom = \"$.q\"\nunit = \"l/min\"\n")
	body := []byte(`{"t":1768199400.25,"t1":38.5,"t2":25.31,"t3":11.06,"t4":24.5,"q":8.25,"rssi":-61,"fw":"1.4"}`)
	var rs []greywatt.Reading
	b.ReportAllocs()
	for b.Loop() {
		rs, _, _ = d.Decode(rs[:0], nil, "j/larch-04/n1", body, now, false)
	}
	b.ReportMetric(float64(b.N*len(rs))/b.Elapsed().Seconds(), "readings/s")
}
