package simulate

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"greywatt"
)

// WriteStudy writes the study as a study file, TOML, that package studyfile
// reads back as the same study.
func WriteStudy(w io.Writer, s *greywatt.Study) error {
	t := tomlWriter{w: bufio.NewWriter(w)}
	t.header("[study]")
	t.text("name", s.Name)
	if s.Timezone != nil {
		t.text("timezone", s.Timezone.String())
	}
	for i := range s.Dwellings {
		t.dwelling(&s.Dwellings[i])
	}
	if err := t.w.Flush(); err != nil {
		return fmt.Errorf("write study %q: %w", s.Name, err)
	}
	return nil
}

type tomlWriter struct{ w *bufio.Writer } // a bufio.Writer keeps its first error

func (t *tomlWriter) dwelling(d *greywatt.Dwelling) {
	t.header("\n[[dwelling]]")
	t.text("id", d.ID)
	t.text("connection", d.Connection.String())
	t.date("commissioned", d.Commissioned)
	t.header("\n[dwelling.exchanger]")
	t.text("orientation", string(d.Exchanger.Orientation))
	points := make([]string, len(d.Exchanger.Rated))
	for i, p := range d.Exchanger.Rated {
		points[i] = fmt.Sprintf("{ flow_l_min = %s, effectiveness = %s }", tomlFloat(p.FlowLMin), tomlFloat(p.Effectiveness))
	}
	fmt.Fprintf(t.w, "rated = [ %s ]\n", strings.Join(points, ", "))
	if cold, waste := d.Exchanger.RatedColdInC, d.Exchanger.RatedWasteInC; cold != 0 || waste != 0 {
		t.number("rated_cold_in_c", cold)
		t.number("rated_waste_in_c", waste)
	}
	t.header("\n[dwelling.heater]")
	t.text("kind", d.Heater.Kind)
	t.number("efficiency", d.Heater.Efficiency)
	t.number("carbon_kg_per_kwh", d.Heater.CarbonKgPerKWh)
	t.number("price_per_kwh", d.Heater.PricePerKWh)
	t.text("currency", d.Heater.Currency)
	t.number("hot_c", d.Heater.HotC)
	for i := range d.Sensors {
		t.sensor(&d.Sensors[i])
	}
	for _, c := range d.Cleaned {
		t.header("\n[[dwelling.cleaned]]")
		t.date("on", c)
	}
}

func (t *tomlWriter) sensor(s *greywatt.Sensor) {
	t.header("\n[[dwelling.sensor]]")
	t.text("channel", s.Channel.String())
	t.text("node", s.Node)
	t.text("name", s.Name)
	if s.Channel.IsFlow() {
		t.number("scale", s.Scale)
		t.number("u95_relative", s.U95Relative)
		return
	}
	t.number("offset_k", s.OffsetK)
	t.number("u95_k", s.U95K)
	t.number("response_s", s.ResponseS)
	t.number("loss_fraction", s.LossFraction)
}

func (t *tomlWriter) header(line string) { fmt.Fprintln(t.w, line) }

// text leaves an empty string out.
func (t *tomlWriter) text(key, value string) {
	if value != "" {
		fmt.Fprintf(t.w, "%s = %s\n", key, tomlString(value))
	}
}

// number leaves NaN, which stands for not stated, out.
func (t *tomlWriter) number(key string, v float64) {
	if !math.IsNaN(v) {
		fmt.Fprintf(t.w, "%s = %s\n", key, tomlFloat(v))
	}
}

func (t *tomlWriter) date(key string, d greywatt.Date) {
	if !d.IsZero() {
		fmt.Fprintf(t.w, "%s = %s\n", key, d)
	}
}

func tomlFloat(v float64) string {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s
}

// tomlString is a basic string of TOML 1.0, which escapes control characters
// otherwise than Go does.
func tomlString(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
