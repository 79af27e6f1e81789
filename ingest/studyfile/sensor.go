package studyfile

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"greywatt"
)

// sensorKeys says which keys describe a flow sensor (true) or a temperature
// clamp (false); the others describe both.
var sensorKeys = map[string]bool{
	"offset_k": false, "u95_k": false, "response_s": false, "loss_fraction": false,
	"scale": true, "u95_relative": true,
	"batch_u95_k": false, "batch_u95_relative": true,
}

func (f *reader) sensors(d *section, id string) []greywatt.Sensor {
	type place struct {
		channel greywatt.Channel
		node    string
	}
	var sensors []greywatt.Sensor
	lines := map[place]int{}
	for _, t := range d.tables("sensor") {
		s, known := f.sensor(t)
		if !known {
			continue
		}
		channel := s.Channel
		at := place{channel, s.Node}
		if first, twice := lines[at]; twice {
			f.mistake(t.t.line, t.path, fmt.Sprintf("%s is already described on %s", at.channel, f.where(first)),
				"keep one of them, or give each the node it belongs to")
		} else {
			lines[at] = t.t.line
		}
		if s.Name != "" && f.partial {
			t.mistake("name", "is one sensor's own", "state it with the dwelling")
		} else if s.Name != "" {
			f.named = append(f.named, namedSensor{s.Name, id, channel, t})
		}
		sensors = append(sensors, s)
	}
	return sensors
}

// sensor reads one sensor's table; known is false where it names no channel.
func (f *reader) sensor(t *section) (s greywatt.Sensor, known bool) {
	t.require("channel", "state which of "+strings.Join(channelNames(), ", ")+" it measures")
	channel, known := greywatt.ParseChannel(t.text("channel", "", channelText))
	s = greywatt.DefaultSensor(channel)
	s.Node = t.text("node", "", idText)
	s.Name = t.text("name", "", senmlName)
	s.OffsetK = t.number("offset_k", s.OffsetK, offsetBound)
	s.U95K = t.number("u95_k", s.U95K, u95Bound)
	s.ResponseS = t.number("response_s", s.ResponseS, between(0, 600, "state the time constant in seconds, 0 for none"))
	s.LossFraction = t.number("loss_fraction", s.LossFraction, between(0, 0.5, "state a fraction, such as 0.03 for 3 %"))
	s.Scale = t.number("scale", s.Scale, between(0.1, 10, "state the factor that turns the reading into the flow, 1 for none"))
	s.U95Relative = t.number("u95_relative", s.U95Relative, between(1e-6, 1, "state a fraction, such as 0.03 for 3 % (k = 2)"))
	s.Batch = t.text("batch", "", idText)
	s.BatchU95K = t.number("batch_u95_k", s.U95K, between(0, s.U95K, "state the part of u95_k that the sensors of a batch share, 0 for none"))
	s.BatchU95Relative = t.number("batch_u95_relative", s.U95Relative, between(0, s.U95Relative, "state the part of u95_relative that the meters of a batch share, 0 for none"))
	s.Calibrated = t.date("calibrated")
	s.Certificate = t.text("certificate", "", anyText)
	t.finish()
	if known {
		f.wrongKind(t, channel)
	}
	return s, known
}

var (
	offsetBound = between(-20, 20, "state the kelvins to subtract from the reading")
	u95Bound    = between(1e-4, 20, "state the expanded uncertainty (k = 2) in kelvins, such as 0.3")
)

// wrongKind names keys of a flow sensor on a temperature and the reverse.
func (f *reader) wrongKind(t *section, c greywatt.Channel) {
	for _, key := range slices.Sorted(maps.Keys(sensorKeys)) {
		ofFlow := sensorKeys[key]
		if !t.has(key) || ofFlow == c.IsFlow() {
			continue
		}
		if ofFlow {
			f.mistake(t.lineOf(key), t.key(key), fmt.Sprintf("belongs to a flow, and %s is a temperature", c), "leave it out; offset_k and u95_k describe a temperature")
		} else {
			f.mistake(t.lineOf(key), t.key(key), fmt.Sprintf("belongs to a temperature, and %s is a flow", c), "leave it out; scale and u95_relative describe a flow")
		}
	}
}

// A namedSensor is a sensor of which the file states the SenML name.
type namedSensor struct {
	name     string
	dwelling string
	channel  greywatt.Channel
	at       *section
}

// names finds a name that two sensors have, or that, read as
// <dwelling>/<node>/<channel>, is another sensor's place. The dwellings' ids
// are the keys of the map.
func (f *reader) names(dwellings map[string]int) {
	lines := map[string]int{}
	for _, n := range f.named {
		line := n.at.lineOf("name")
		if first, taken := lines[n.name]; taken {
			f.mistake(line, n.at.key("name"), fmt.Sprintf("%q is already a sensor's name on %s", n.name, f.where(first)), "names must differ over the whole study")
			continue
		}
		lines[n.name] = line
		parts := strings.Split(n.name, "/")
		if len(parts) != 3 || parts[0] == n.dwelling && parts[2] == n.channel.String() {
			continue
		}
		_, dwelling := dwellings[parts[0]]
		_, channel := greywatt.ParseChannel(parts[2])
		if dwelling && channel {
			f.mistake(line, n.at.key("name"), fmt.Sprintf("%q already means %s of dwelling %s", n.name, parts[2], parts[0]),
				"leave the name out where the node uses <dwelling>/<node>/<channel>")
		}
	}
}
