package influx

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
)

// A deletion as POST /api/v2/delete of InfluxDB 2.x takes it.
type deletion struct{ Start, Stop, Predicate string }

// A 2.x server, as far as erasing goes (a stand-in: no 2.x server was at hand).
// The predicates are those of its documentation, from memory:
// _measurement="m" AND tag="value", with start and stop in RFC 3339.
func TestEraseOn2(t *testing.T) {
	var deletions []deletion
	asked := ""
	status := http.StatusNoContent
	left := "" // the measurement in which something stays
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		switch {
		case r.Header.Get("Authorization") != "Token secret" || r.URL.Query().Get("org") != "o":
			http.Error(w, "unexpected request "+r.URL.String(), http.StatusTeapot)
		case r.URL.Path == "/api/v2/delete" && r.URL.Query().Get("bucket") == "study":
			var d deletion
			if err := json.Unmarshal(body, &d); err != nil {
				t.Error(err)
			}
			deletions = append(deletions, d)
			w.WriteHeader(status)
		case r.URL.Path == "/api/v2/query":
			asked = string(body)
			w.Header().Set("Content-Type", "text/csv")
			switch {
			case strings.Contains(asked, `\"set_aside\"`):
				io.WriteString(w, ",result,table,_time,reason,source,dwelling,detail,record\r\n"+
					",,0,2026-01-12T00:00:01.5Z,bad-unit,s,larch-04,d,r\r\n"+
					",,0,2026-01-12T00:00:02Z,bad-payload,greywatt/larch-04/n1/senml,,d,{\r\n"+
					",,0,2026-01-12T00:00:03Z,bad-payload,greywatt/larch-041/n1/senml,,d,{\r\n\r\n")
			case left != "" && strings.Contains(asked, `\"`+left+`\"`):
				io.WriteString(w, ",result,table,_time,_value\r\n,,0,2026-01-12T00:00:00Z,1\r\n\r\n")
			}
		default:
			http.Error(w, "unexpected request "+r.URL.String(), http.StatusTeapot)
		}
	}))
	defer s.Close()
	db, err := New(Config{URL: s.URL, Bucket: "study", Org: "o", Token: "secret", Results: []string{"event", "finding"}})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()

	if err := db.Erase(t.Context(), "larch-04"); err != nil {
		t.Fatal(err)
	}
	const from, to = "1970-01-01T00:00:00.000001000Z", "2262-04-11T23:47:16.854775001Z" // all of 64 bits of nanoseconds
	var want []deletion
	for _, m := range []string{"reading", "conflict", "presence", "event", "finding"} {
		want = append(want, deletion{from, to, fmt.Sprintf(`_measurement="%s" AND dwelling="larch-04"`, m)})
	}
	want = append(want,
		deletion{"2026-01-12T00:00:01.500000000Z", "2026-01-12T00:00:01.500000001Z", `_measurement="set_aside" AND reason="bad-unit"`},
		deletion{"2026-01-12T00:00:02.000000000Z", "2026-01-12T00:00:02.000000001Z", `_measurement="set_aside" AND reason="bad-payload"`})
	if !slices.Equal(deletions, want) {
		t.Errorf("deletions\n%v\nwant\n%v", deletions, want)
	}

	left = "presence"
	if err := db.Erase(t.Context(), "larch-04"); err == nil || !strings.Contains(err.Error(), "presence") {
		t.Errorf("erased, though presence is still there: %v", err)
	}
	left, status = "", http.StatusForbidden
	var answer *Error
	if err := db.Erase(t.Context(), "larch-04"); !errors.As(err, &answer) || answer.Class != Setup {
		t.Errorf("a token that may not delete: %v", err)
	}
}
