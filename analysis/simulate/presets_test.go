package simulate

import (
	"bytes"
	"fmt"
	"math"
	"reflect"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/studyfile"
)

func TestStudyFileReadsBack(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	street := Demo(1, 21, dublin)
	street.Study.Name = "a \"quoted\\\" name,\twith a tab"
	street.Study.Dwellings[0].Cleaned = []greywatt.Date{{Year: 2026, Month: time.March, Day: 9}}
	street.Study.Dwellings[2].Sensors[0].Name = "urn:dev:ow:10e2073a01080063"
	var file bytes.Buffer
	if err := WriteStudy(&file, &street.Study); err != nil {
		t.Fatal(err)
	}
	got, err := studyfile.Read(bytes.NewReader(file.Bytes()))
	if err != nil {
		t.Fatalf("%v\n%s", err, file.String())
	}
	if got.Timezone.String() != "Europe/Dublin" {
		t.Errorf("time zone %v", got.Timezone)
	}
	got.Timezone = street.Study.Timezone
	if !reflect.DeepEqual(got, &street.Study) {
		t.Errorf("read back\n%+v\nwant\n%+v", got, &street.Study)
	}
}

// Each fault must leave its mark on what the sensors or the water show.
func TestFaultsLeaveTheirMark(t *testing.T) {
	for seed := range uint64(1) {
		for _, kind := range FaultKinds {
			h := Faulty(kind, 50+seed).Houses[0]
			_, end := h.Span()
			truth := h.Run(Output{})
			var ratio, ua, n float64 // means over the last 20 days
			for _, e := range truth.Events {
				if e.Measurable && e.Start > end.Add(-20*daySeconds) {
					ratio, ua, n = ratio+e.Ratio, ua+e.UARatio, n+1
				}
			}
			ratio, ua = ratio/n, ua/n
			switch kind {
			case Fouling:
				if want := 1 / (1 + h.Faults[0].Size); ua < want-0.08 || ua > 0.85 {
					t.Errorf("seed %d: %s of %.2f leaves %.3f of the conductance", seed, kind, h.Faults[0].Size, ua)
				}
			case StepLoss, LowFromStart:
				near(t, string(kind), ua, h.Faults[0].Size, 0.01)
			case ParallelFlow:
				if ratio > 0.95 {
					t.Errorf("seed %d: parallel flow reaches %.3f of counterflow", seed, ratio)
				}
			case NoRecovery:
				if ratio > 0.1 {
					t.Errorf("seed %d: recovers %.3f with the bypass open", seed, ratio)
				}
			case ConnectionDiffers:
				if h.connection() == h.Dwelling.Connection {
					t.Errorf("seed %d: connection is as declared", seed)
				}
			default: // faults of sensors: the water is well
				near(t, string(kind), ratio, 1, 0.01)
			}
		}
	}
}

func TestSensorFaultsShow(t *testing.T) {
	means := func(h *House) (v greywatt.Values) {
		var n float64
		v = greywatt.Values{}
		for f := range h.Frames(nil) {
			if f.Value[greywatt.Flow] > 0.05 {
				n++
				for c := range v {
					v[c] += f.Value[c]
				}
			}
		}
		for c := range v {
			v[c] /= n
		}
		return v
	}
	house := func(f ...Fault) *House {
		h := NewHouse("h", 9, Options{Days: 5, Nodes: 1, Connection: greywatt.ConnectionA})
		h.Faults = f
		return h
	}
	well := means(house())
	if !(well[greywatt.WasteIn] > well[greywatt.WasteOut]+3 && well[greywatt.PreheatOut] > well[greywatt.ColdIn]+3) {
		t.Fatalf("healthy means %v", well)
	}
	swapped := means(house(Fault{Kind: WasteSensorsSwapped}))
	near(t, "swapped waste-in", swapped[greywatt.WasteIn], well[greywatt.WasteOut], 1.5) // own offset, lag and loss stay with the sensor
	near(t, "swapped waste-out", swapped[greywatt.WasteOut], well[greywatt.WasteIn], 1.5)
	swapped = means(house(Fault{Kind: SupplySensorsSwapped}))
	near(t, "swapped cold-in", swapped[greywatt.ColdIn], well[greywatt.PreheatOut], 1.5)
	loose := means(house(Fault{Kind: SensorLoose, Channel: greywatt.WasteIn, Size: 0.5}))
	room := well[greywatt.Ambient]
	near(t, "loose", (loose[greywatt.WasteIn]-room)/(well[greywatt.WasteIn]-room), 0.5, 0.05)
	scaled := means(house(Fault{Kind: FlowOffScale, Size: 1.3}))
	near(t, "off scale", scaled[greywatt.Flow]/well[greywatt.Flow], 1.3, 0.02)
}

func TestCleaningStartsFoulingAfresh(t *testing.T) {
	h := NewHouse("h", 1, Options{Days: 90})
	h.Physics.FilmPerK, h.Physics.MainsPerK, h.Physics.InletFactor = 0, 0, false // dirt shifts the streams' means
	from, _ := h.Span()
	h.Faults = []Fault{{Kind: Fouling, From: from.Add(10 * daySeconds), Size: 0.5, GrowthDays: 40}}
	h.Dwelling.Cleaned = []greywatt.Date{{Year: 2026, Month: time.March, Day: 3}} // day 50
	at := func(day float64) float64 { return h.UARatio(from.Add(day * daySeconds)) }
	near(t, "before onset", at(5), 1, 1e-12)
	near(t, "half grown", at(30), 1/1.25, 2e-4)
	near(t, "just cleaned", at(50.001), 1, 1e-3)
	near(t, "half grown again", at(70), 1/1.25, 2e-4)
	near(t, "full", at(95), 1/1.5, 2e-4)
	// a tenth of the conductance is gone at 1/(1+x) = 0.9, x growing by 0.5 in 40 days from day 10
	reached, ok := h.LossReached(0.1)
	near(t, "a tenth lost on day", reached.Sub(from)/daySeconds, 10+(1/0.9-1)/0.5*40, 0.06)
	if _, never := h.LossReached(0.4); !ok || never {
		t.Errorf("a tenth lost: %v, two fifths: %v", ok, never)
	}
}

func TestCleanedPreset(t *testing.T) {
	h := Cleaned(1).Houses[0]
	h.Physics.FilmPerK, h.Physics.MainsPerK, h.Physics.InletFactor = 0, 0, false
	from, _ := h.Span()
	day := h.Dwelling.Cleaned[0].In(time.UTC)
	near(t, "cleaned on day", day.Sub(from)/daySeconds, 70, 1e-9)
	near(t, "before", h.UARatio(day-1e6), 1/1.5, 2e-4)
	near(t, "after", h.UARatio(day+1e6), 1, 1e-3)
}

func TestCertificateIsTheCleanUnit(t *testing.T) {
	for seed := range uint64(50) {
		h := NewHouse("h", seed, Options{})
		rated := h.Dwelling.Exchanger.Rated
		if n := len(rated); n < 2 || n > 5 {
			t.Errorf("seed %d: %d rated points", seed, n)
		}
		for i, p := range rated {
			near(t, "rated", p.Effectiveness, h.Physics.Rated(p.FlowLMin), 0.00501)
			if i > 0 && p.FlowLMin <= rated[i-1].FlowLMin {
				t.Errorf("seed %d: rated flows not ascending", seed)
			}
		}
	}
}

// What is declared is what is true, within the declared uncertainty: over many
// houses the deviations have the spread that the study file states.
func TestSensorsDeviateAsDeclared(t *testing.T) {
	var n, offset, scale float64
	for seed := range uint64(400) {
		h := NewHouse("h", seed, Options{})
		for _, s := range h.Dwelling.Sensors {
			switch fitted := h.Sensors[s.Channel]; {
			case s.Channel == greywatt.Flow:
				scale += math.Pow((fitted.Gain*s.Scale-1)/(s.U95Relative/2), 2)
			case s.Channel == greywatt.WasteIn:
				n++
				offset += math.Pow((fitted.OffsetK-s.OffsetK)/(s.U95K/2), 2)
			}
		}
	}
	near(t, "spread of offsets / declared", math.Sqrt(offset/n), 1, 0.1)
	near(t, "spread of scales / declared", math.Sqrt(scale/n), 1, 0.1)
}

func ExampleHouse_Frames() {
	house := Accuracy(1, 2).Houses[0]
	var truth Truth
	frames := 0
	for range house.Frames(&truth) { // send, store or analyse them
		frames++
	}
	e := truth.Events[0] // and compare with what was to be found
	fmt.Println(frames > 2*24*60, e.Kind, e.VolumeL > 0)
	// Output: true shower true
}
