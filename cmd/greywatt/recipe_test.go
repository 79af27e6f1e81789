package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/broker"
	"greywatt/ingest/recipe"
)

// A disguise writes the readings of a simulated dwelling as another logger
// might, under headings that say nothing.
type disguise struct {
	name, file string
	write      func(t *testing.T, rows []disguised) []byte
}

type disguised struct {
	at time.Time
	v  [5]float64 // waste-in, waste-out, cold-in, preheat-out in °C, flow in l/min
}

var disguises = []disguise{
	{"comma", "a.csv", func(t *testing.T, rows []disguised) []byte {
		zone, err := time.LoadLocation("Europe/Dublin")
		if err != nil {
			t.Fatal(err)
		}
		b := bytes.NewBufferString("Logger 7\r\n\r\nStamp;K4;K1;K3;K2;K5\r\n")
		for _, r := range rows {
			line := fmt.Sprintf("%s;%.2f;%.2f;%.2f;%.2f;%.3f", r.at.In(zone).Format("02.01.2006 15:04:05"), r.v[2], r.v[0], r.v[3], r.v[1], r.v[4])
			b.WriteString(strings.ReplaceAll(line, ".", ",")[0:2] + "." + line[3:5] + "." + strings.ReplaceAll(line[6:], ".", ",") + "\r\n")
		}
		return b.Bytes()
	}},
	{"kelvin", "b.txt", func(t *testing.T, rows []disguised) []byte {
		var b bytes.Buffer
		for _, r := range rows {
			fmt.Fprintf(&b, "%d\t%.0f\t%.2f\t%.2f\t%.2f\t%.2f\n", r.at.UnixMilli(), r.v[4]*60, r.v[1]+273.15, r.v[2]+273.15, r.v[0]+273.15, r.v[3]+273.15)
		}
		return b.Bytes()
	}},
	{"tenths", "c.csv", func(t *testing.T, rows []disguised) []byte {
		b := bytes.NewBufferString("day,clock,x1,x2,x3,x4,x5,x6\n")
		for i, r := range rows {
			first := fmt.Sprintf("%.0f", r.v[0]*10)
			if i%997 == 13 {
				first = "32767"
			}
			fmt.Fprintf(b, "%s,%.0f,%.0f,%s,%.0f,%.4f,%d\n", r.at.UTC().Format("2006-01-02,15:04:05"), r.v[3]*10, r.v[1]*10, first, r.v[2]*10, r.v[4]/60, 3)
		}
		return b.Bytes()
	}},
	{"long", "d.csv", func(t *testing.T, rows []disguised) []byte {
		b := bytes.NewBufferString("epoch|sensor|reading\n")
		for _, r := range rows {
			for i, name := range []string{"28-a1", "28-f7", "28-0c", "28-55", "turbine"} {
				fmt.Fprintf(b, "%d|%s|%.3f\n", r.at.Unix(), name, r.v[i])
			}
		}
		return b.Bytes()
	}},
	{"fahrenheit", "e.json", func(t *testing.T, rows []disguised) []byte {
		var b bytes.Buffer
		f := func(c float64) float64 { return math.Round((c*1.8+32)*100) / 100 }
		for i := 0; i+1 < len(rows); i += 2 {
			var list []any
			for _, r := range rows[i : i+2] {
				list = append(list, map[string]any{"at": r.at.UTC().Format(time.RFC3339), "p": map[string]any{"1": f(r.v[2]), "2": f(r.v[0]), "3": f(r.v[1]), "4": f(r.v[3])}, "q": r.v[4]})
			}
			line, err := json.Marshal(map[string]any{"batch": list, "v": 2})
			if err != nil {
				t.Fatal(err)
			}
			b.Write(append(line, '\n'))
		}
		return b.Bytes()
	}},
}

// A recipe proposed from the data alone brings back the readings that a
// simulated dwelling's file was written from: channels, units, times.
func TestProposedRecipe(t *testing.T) {
	if testing.Short() {
		t.Skip("not run with -short: days of readings in fifteen disguises")
	}
	dir := t.TempDir()
	greywattOK := func(args ...string) string {
		t.Helper()
		var out, said bytes.Buffer
		con := &cli.Console{In: strings.NewReader(""), Out: &out, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"}
		if code := run(t.Context(), args, con); code != cli.ExitDone && code != cli.ExitRejected {
			t.Fatalf("%s: exit code %d\n%s%s", args, code, out.String(), said.String())
		}
		return out.String()
	}
	for _, seed := range []string{"1", "2", "5"} {
		sim := filepath.Join(dir, "sim"+seed)
		greywattOK("simulate", "--preset", "accuracy", "--seed", seed, "--days", "4", "--format", "csv", "--out", sim)
		rows := simulatedRows(t, filepath.Join(sim, "accuracy-"+seed+".csv"))
		study := filepath.Join(sim, "study.toml")
		text, err := os.ReadFile(study)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(study, []byte(strings.Replace(string(text), `timezone = "UTC"`, `timezone = "Europe/Dublin"`, 1)), 0o644); err != nil {
			t.Fatal(err)
		}
		for _, d := range disguises {
			t.Run(d.name+seed, func(t *testing.T) {
				file := filepath.Join(sim, d.file)
				if err := os.WriteFile(file, d.write(t, rows), 0o644); err != nil {
					t.Fatal(err)
				}
				made, data := filepath.Join(sim, d.name+".toml"), filepath.Join(sim, d.name)
				greywattOK("recipe", "--study", study, "--out", made, file)
				greywattOK("import", "--study", study, "--recipe", made, "--data", data, file)
				compareDump(t, rows, greywattOK("dump", "--data", data))
				if t.Failed() {
					text, _ := os.ReadFile(made)
					t.Logf("%s", text)
				}
			})
		}
	}
}

func simulatedRows(t *testing.T, file string) (rows []disguised) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range all[1:] {
		at, err := time.Parse(time.RFC3339, row[0])
		if err != nil {
			t.Fatal(err)
		}
		r := disguised{at: at.Truncate(time.Second)}
		ok := len(rows) == 0 || r.at.After(rows[len(rows)-1].at)
		for i := range r.v {
			v, err := strconv.ParseFloat(row[3+i], 64)
			r.v[i] = v
			ok = ok && err == nil
		}
		if ok {
			rows = append(rows, r)
		}
	}
	return rows
}

// compareDump holds what was imported to what was written, to the last digit
// that the disguises keep.
func compareDump(t *testing.T, rows []disguised, dump string) {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(dump)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][]string{}
	for _, row := range all[1:] {
		got[row[0]] = row[3:8]
	}
	wrong, missing := [greywatt.NumChannels]int{}, 0
	for _, r := range rows {
		row, ok := got[r.at.UTC().Format(time.RFC3339)]
		if !ok {
			missing++
			continue
		}
		for i, want := range r.v {
			v, err := strconv.ParseFloat(row[i], 64)
			tolerance := 0.0501
			if err != nil || math.Abs(v-want) > tolerance {
				wrong[i]++
			}
		}
	}
	if missing > 1 || slices.Max(wrong[:]) > len(rows)/500 {
		t.Errorf("of %d rows %d are missing; wrong by channel: %v", len(rows), missing, wrong)
	}
}

// A broker is listened to for as long as asked, and what comes of it is a recipe
// that check takes within the study file. Retained messages come at once, so that
// nothing here hangs on time.
func TestRecipeFromBroker(t *testing.T) {
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "elsewhere", Sink: nobody{}})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.URL()).SetClientID("box"))
	if tok := c.Connect(); !tok.WaitTimeout(20*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	defer c.Disconnect(100)
	for topic, body := range map[string]string{
		"flat/larch-04/waste_in": "38.5", "flat/larch-04/waste_out": "27.1", "flat/larch-04/cold_in": "10.4", "flat/larch-04/preheat_out": "22.2", "flat/larch-04/flow_lpm": "7.9",
		"greywatt/larch-04/n1/senml": `[{"n":"flow","u":"l/s","v":0.1}]`,
	} {
		if tok := c.Publish(topic, 1, true, body); !tok.WaitTimeout(20*time.Second) || tok.Error() != nil {
			t.Fatal(topic, tok.Error())
		}
	}
	dir := t.TempDir()
	study, made := filepath.Join(dir, "study.toml"), filepath.Join(dir, "recipe.toml")
	text, err := os.ReadFile(filesStudy)
	if err != nil {
		t.Fatal(err)
	}
	invoke(t, cli.ExitDone, "recipe", "--study", filesStudy, "--broker", b.URL(), "--for", "3s", "--out", made)
	proposed, err := os.ReadFile(made)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(study, append(append(text, '\n'), proposed...), 0o644); err != nil {
		t.Fatal(err)
	}
	invoke(t, cli.ExitDone, "check", "--study", study)
	rs, err := recipe.Read(bytes.NewReader(append(append(text, '\n'), proposed...)))
	if err != nil || len(rs) != 1 || len(rs[0].Channels) != 5 || rs[0].MQTT.Topics[0].String() != "flat/{dwelling}/{channel}" {
		t.Errorf("%v, proposed\n%s", err, proposed)
	}
	var told strings.Builder
	con := &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: &told, Getenv: func(string) string { return "" }, Name: "greywatt"}
	if code := run(t.Context(), []string{"recipe", "--study", filesStudy, "--broker", b.URL(), "--for", "2s", "--topics", "nothing/#"}, con); code != cli.ExitFailure || !strings.Contains(told.String(), "nothing was heard under nothing/#") {
		t.Errorf("of silence: exit code %d, %q", code, told.String())
	}
}

type nobody struct{}

func (nobody) Offer(string, []byte, func()) error { return errors.New("not for me") }
