package payload

import "testing"

// A pack's number says nothing of its readings, whatever it is, and counts only if
// it is one.
func TestSequence(t *testing.T) {
	const reading = `"n":"flow","u":"l/s","t":1770000000,"v":0.1`
	tests := []struct {
		pack     string
		want     Sequence
		readings int
	}{
		{`[{` + reading + `}]`, Sequence{}, 1},
		{`[{"seq":17,` + reading + `}]`, Sequence{"", 17}, 1},
		{`[{"run":"b41f","seq":1},{` + reading + `}]`, Sequence{"b41f", 1}, 1},
		{`[{"bn":"larch-04/n1/","seq":3},{` + reading + `}]`, Sequence{"", 3}, 1},
		{`[{` + reading + `},{"seq":4,"n":"cold-in","u":"Cel","t":1770000000,"v":8}]`, Sequence{"", 4}, 2},
		{`[{"seq":0,` + reading + `}]`, Sequence{}, 1},
		{`[{"seq":-1,` + reading + `}]`, Sequence{}, 1},
		{`[{"seq":1.5,` + reading + `}]`, Sequence{}, 1},
		{`[{"seq":"x","run":7,` + reading + `}]`, Sequence{}, 1},
		{`[{"seq":1e300,"run":"much too long a name",` + reading + `}]`, Sequence{}, 1},
		{`[{"seq":5,"seq":6,"run":"a b",` + reading + `}]`, Sequence{"", 6}, 1},
		// {"seq": 9, n: "flow", u: "l/s", t: 1770000000, v: 0.5}
		{"\x81\xa5\x63seq\x09\x00\x64flow\x01\x63l/s\x06\x1a\x69\x80\x0e\x80\x02\xf9\x38\x00", Sequence{"", 9}, 1},
	}
	d := NewDecoder(nil)
	for _, tt := range tests {
		rs, rejected := d.Decode(nil, nil, Origin{Dwelling: "larch-04", Node: "n1"}, []byte(tt.pack), 1_770_000_000_000_000)
		if d.Sequence() != tt.want || len(rs) != tt.readings || len(rejected) > 0 {
			t.Errorf("%s: %+v, %d readings, %v", tt.pack, d.Sequence(), len(rs), rejected)
		}
	}
}
