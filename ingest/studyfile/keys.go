package studyfile

import (
	"fmt"
	"math"
	"strconv"

	"greywatt"
)

// A Key is one key of the study file, as [Read] takes it.
type Key struct {
	Path     string // such as dwelling.sensor.offset_k
	Type     string // text, number or date
	Required bool
	Default  string // as it would be written; empty: not known, or none
	Range    string // what a value must be; empty: anything
	Meaning  string
}

// specimen has one of each table that a study file may have, and of sensors
// one of either kind.
const specimen = `[dataset]
contributor = [{}]
funding = [{}]
[[dwelling]]
exchanger.rated = [{}]
heater = {}
cleaned = [{}]
sensor = [{ channel = "waste-in" }, { channel = "flow" }]
`

var keyMeanings = map[string]string{
	"study.name":                              "the study's name, for report and dataset",
	"study.timezone":                          "where days, months and seasons begin; storage is in UTC",
	"study.dwellings":                         "a table of dwellings, CSV in the folder of this file; its columns stand below",
	"dwelling.id":                             "names the dwelling in topics, files and results; no person",
	"dwelling.connection":                     "what the preheated water feeds: A the mixer and the heater, B the mixer, C the heater",
	"dwelling.group":                          "arm or group of the study; summary and report give figures of each",
	"dwelling.recruited":                      "the day the household joined the study",
	"dwelling.fitted":                         "the day the unit was fitted; not before recruited",
	"dwelling.commissioned":                   "the day the unit was taken into use; not before fitted",
	"dwelling.left":                           "the dwelling's last day in the study: what is logged later is kept and left out",
	"dwelling.exchanger.orientation":          "how the unit hangs",
	"dwelling.exchanger.rated.flow_l_min":     "flow of a certificate's point, l/min on each side",
	"dwelling.exchanger.rated.effectiveness":  "effectiveness at that point, as a fraction",
	"dwelling.exchanger.rated_cold_in_c":      "°C, cold inlet of the certificate's test; the default is the rating standard's usual one",
	"dwelling.exchanger.rated_waste_in_c":     "°C, waste inlet of the certificate's test; at least 10 above the cold one",
	"dwelling.exchanger.serial":               "serial number of the unit, for page and sheet; no dataset has it",
	"dwelling.exchanger.place":                "where in the dwelling the unit is, in words, likewise",
	"dwelling.heater.kind":                    "the heater, in words",
	"dwelling.heater.efficiency":              "heat out per fuel or electricity in",
	"dwelling.heater.carbon_kg_per_kwh":       "kg of carbon dioxide a kWh of fuel or electricity",
	"dwelling.heater.price_per_kwh":           "price of a kWh of fuel or electricity",
	"dwelling.heater.efficiency_u95_relative": "expanded relative uncertainty (k = 2), common to heaters of one kind",
	"dwelling.heater.carbon_u95_relative":     "expanded relative uncertainty (k = 2), common to all dwellings",
	"dwelling.heater.price_u95_relative":      "expanded relative uncertainty (k = 2), common to all dwellings",
	"dwelling.heater.currency":                "currency of that price, by ISO 4217",
	"dwelling.heater.hot_c":                   "delivery temperature, °C",
	"dwelling.sensor.channel":                 "what the sensor measures",
	"dwelling.sensor.node":                    "the node whose sensor it is; empty: whichever reports the channel",
	"dwelling.sensor.name":                    "SenML name that the node sends, where it is not <dwelling>/<node>/<channel>",
	"dwelling.sensor.offset_k":                "K, subtracted from the reading",
	"dwelling.sensor.u95_k":                   "K, expanded uncertainty (k = 2) that is left",
	"dwelling.sensor.response_s":              "s, time constant of the clamp; 0: no lag to undo",
	"dwelling.sensor.loss_fraction":           "how much of the room the clamp shows",
	"dwelling.sensor.scale":                   "of a flow: flow = scale · reading",
	"dwelling.sensor.u95_relative":            "of a flow: expanded relative uncertainty (k = 2)",
	"dwelling.sensor.batch":                   "sensors of one delivery or calibration: their dwellings share its error; empty: one batch of all that state none",
	"dwelling.sensor.batch_u95_k":             "K, the part of u95_k that a batch shares; 0: none, and the default is all of it",
	"dwelling.sensor.batch_u95_relative":      "of a flow: the part of u95_relative that a batch shares",
	"dwelling.sensor.calibrated":              "the day of the calibration that offset_k and u95_k, or scale and u95_relative, are from",
	"dwelling.sensor.certificate":             "that calibration's reference",
	"dataset.title":                           "of the dataset that export writes; all keys of dataset are published as they stand, with --public too",
	"dataset.description":                     "of the dataset, in a few sentences",
	"dataset.licence":                         "how others may use it",
	"dataset.publisher":                       "the archive or institution that makes it available",
	"dataset.published":                       "day of publication",
	"dataset.doi":                             "the dataset's DOI, once there is one",
	"dataset.version":                         "the dataset's version",
	"dataset.contributor.name":                "an author: a person as Family, Given, an organisation without a comma",
	"dataset.contributor.orcid":               "ORCID iD of a person",
	"dataset.contributor.affiliation":         "where that author works",
	"dataset.funding.funder":                  "who paid",
	"dataset.funding.award":                   "number or name of the grant",
	"dwelling.cleaned.on":                     "a day on which the drain side was cleaned",
}

// Keys returns every key of the study file in the order in which they are
// read, with the default and the range that [Read] itself has.
func Keys() []Key {
	root, mistakes := buildTree([]byte(specimen))
	if len(mistakes) > 0 {
		panic("studyfile: specimen of a study file: " + mistakes.Error())
	}
	var keys []Key
	f := &reader{keys: &keys}
	f.study(f.section(root, "")) // full of mistakes: nothing required is stated
	return keys
}

// note writes down what is asked of a key, once for all tables of its kind.
// A list is no key of its own: its tables' keys are.
func (s *section) note(name string, write func(*Key)) {
	if s.file.keys == nil {
		return
	}
	path := plainPath(s.key(name))
	meaning, known := keyMeanings[path]
	if !known {
		return
	}
	if ofFlow, one := sensorKeys[name]; one && ofFlow != s.ofFlow() {
		return // its default is that of the other kind of sensor
	}
	keys := *s.file.keys
	for i := range keys {
		if keys[i].Path == path {
			write(&keys[i])
			return
		}
	}
	k := Key{Path: path, Meaning: meaning}
	write(&k)
	*s.file.keys = append(keys, k)
}

// ofFlow reports whether the table describes a flow sensor.
func (s *section) ofFlow() bool {
	v := s.t.values["channel"]
	if v == nil {
		return false
	}
	name, _ := v.is.(string)
	c, ok := greywatt.ParseChannel(name)
	return ok && c.IsFlow()
}

func quoted(s string) string {
	if s == "" {
		return ""
	}
	return strconv.Quote(s)
}

func figure(x float64) string {
	if math.IsNaN(x) {
		return ""
	}
	return fmt.Sprintf("%g", x)
}
