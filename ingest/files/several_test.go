package files

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
)

// lineByLine is what a file of packs gives, by nothing but the decoder of packs and a
// loop over its lines.
func lineByLine(name, text string) (readings []greywatt.Reading, rejected []string) {
	d := payload.NewDecoder(payload.NewResolver(nil))
	for i, line := range strings.Split(text, "\n") {
		trimmed := bytes.TrimSpace([]byte(line))
		if len(trimmed) == 0 {
			continue
		}
		rs, bad := d.Decode(nil, nil, payload.Origin{Node: DefaultNode, Stored: true}, trimmed, now)
		readings = append(readings, rs...)
		for _, r := range bad {
			r.Source = fmt.Sprintf("%s:%d", name, i+1)
			rejected = append(rejected, r.String())
		}
	}
	return readings, rejected
}

func randomPacks(r *rand.Rand, file int) string {
	var b strings.Builder
	for i := range r.IntN(400) {
		switch r.IntN(12) {
		case 0:
			fmt.Fprintf(&b, "bad line %d", i)
		case 1:
		case 2:
			fmt.Fprintf(&b, `[{"bn":"larch-04/n1/","bt":1757772800,"bu":"Cel","n":"waste-in","v":%d},{"n":"cold-in","v":"x"},{"n":"what","v":1}]`, 500)
		default:
			fmt.Fprintf(&b, `[{"bn":"larch-%02d/n1/","bt":%d,"bu":"Cel","n":"waste-in","v":%d}`, file, 1757772800+i, r.IntN(80))
			for k := range r.IntN(50) {
				fmt.Fprintf(&b, `,{"n":"cold-in","t":%d.5,"v":8}`, k)
			}
			b.WriteString("]")
		}
		b.WriteString("\n")
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func randomTable(r *rand.Rand) string {
	var b strings.Builder
	b.WriteString("time,dwelling,waste_in_c,flow_l_min,colour\r\n")
	for i := range r.IntN(400) {
		switch r.IntN(12) {
		case 0:
			b.WriteString("now,larch-04,1,2,3\n")
		case 1:
			fmt.Fprintf(&b, "%d,larch-04,\"%d\",\"broken,,\n", 1757772800+i, i%70)
		default:
			fmt.Fprintf(&b, "%d,larch-04,%d,%d,\n", 1757772800+i, r.IntN(150), i%9)
		}
	}
	return b.String()
}

// Files decoded on several cores, the next while the first are handed on, give what
// they give one by one on one: readings, refusals with file and line, and errors, each
// before those of the next file. Of packs that is what a plain loop gives.
func TestSeveralFilesInOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 7))
	for round := range 25 {
		var names []string
		texts := map[string]string{}
		for i := range r.IntN(9) {
			var name, text string
			switch r.IntN(6) {
			case 0:
				name, text = fmt.Sprintf("%d.csv", i), randomTable(r)
			case 1:
				name, text = fmt.Sprintf("%d.csv", i), "what,is\nthis,then\n"
			case 2:
				name, text = fmt.Sprintf("%d.senml.gz", i), compress(randomPacks(r, i))
				if r.IntN(2) == 0 {
					text = text[:len(text)/2]
				}
			case 3:
				name = fmt.Sprintf("missing-%d.senml", i)
			default:
				name, text = fmt.Sprintf("%d.senml", i), randomPacks(r, i)
			}
			names = append(names, name)
			texts[name] = text
		}
		open := func(name string) (io.ReadCloser, error) {
			if strings.HasPrefix(name, "missing") {
				return nil, errors.New(name + " is missing")
			}
			return io.NopCloser(strings.NewReader(texts[name])), nil
		}
		var want, plain []string
		for _, name := range names {
			var c collected
			err := readOne(t.Context(), name, open, Options{Now: now, Workers: 1}, c.handle)
			want = append(want, told(c, fmt.Sprint(name, " ends: ", err))...)
			if strings.HasSuffix(name, ".senml") && texts[name] != "" {
				readings, rejected := lineByLine(name, texts[name])
				plain = told(collected{readings: readings, rejected: rejected}, name+" ends: <nil>")
				if got := want[len(want)-min(len(want), len(plain)):]; !slices.Equal(got, plain) {
					t.Fatalf("round %d, %s: not what a plain loop gives", round, name)
				}
			}
		}
		o := Options{Now: now, Workers: 1 + r.IntN(5), chunk: 1 + r.IntN(20_000)}
		var got []string
		var c collected
		err := ReadAll(t.Context(), names, open, o, func(ctx context.Context, rs []greywatt.Reading, rej []ingest.RejectedRecord) error {
			return c.handle(ctx, rs, rej)
		}, func(_ context.Context, name string, err error) error {
			got = append(got, told(c, fmt.Sprint(name, " ends: ", err))...)
			c = collected{}
			return nil
		})
		if err != nil || !slices.Equal(got, want) {
			t.Fatalf("round %d, %+v, %q: %d lines, want %d; %v", round, o, names, len(got), len(want), err)
		}
	}
}

// told writes what a file gave, and how it ended, a line each.
func told(c collected, end string) (lines []string) {
	for _, r := range c.readings {
		lines = append(lines, fmt.Sprint(r))
	}
	return append(append(lines, c.rejected...), end)
}

// An error of whoever takes the readings ends the reading of all files; what a file's
// end says is heard before the next one's readings come.
func TestSeveralFilesEnd(t *testing.T) {
	names := []string{"a.senml", "b.senml", "c.senml"}
	open := func(string) (io.ReadCloser, error) {
		return io.NopCloser(strings.NewReader(packLine)), nil
	}
	full := errors.New("no room")
	ended := 0
	err := ReadAll(t.Context(), names, open, Options{Now: now}, func(context.Context, []greywatt.Reading, []ingest.RejectedRecord) error {
		if ended == 1 {
			return full
		}
		return nil
	}, func(context.Context, string, error) error {
		ended++
		return nil
	})
	if !errors.Is(err, full) || ended != 1 {
		t.Errorf("%v after %d files", err, ended)
	}
}
