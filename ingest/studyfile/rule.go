package studyfile

import (
	"regexp"
	"slices"
	"strings"

	"greywatt"
)

// A textRule says what a string must be; want completes "want ...".
type textRule struct {
	ok     func(string) bool
	want   string
	remedy string
}

func matching(pattern, want, remedy string) textRule {
	re := regexp.MustCompile(`\A(?:` + pattern + `)\z`)
	return textRule{re.MatchString, want, remedy}
}

func oneOf(words ...string) textRule {
	return textRule{
		func(s string) bool { return slices.Contains(words, s) },
		"one of " + strings.Join(words, ", "),
		"write it as there, in small letters",
	}
}

var (
	anyText = textRule{ok: func(string) bool { return true }}
	// Ids become topic levels, file names and the beginning of SenML names,
	// which must begin with a letter or digit (RFC 8428 section 4.5.1).
	// 128 is what ingest takes too.
	idText = matching(`[A-Za-z0-9][-A-Za-z0-9_.:]{0,127}`,
		"1 to 128 letters a-z, A-Z, digits, '-', '_', '.' or ':', the first a letter or digit",
		"leave out blanks, accents, '/', '+' and '#'")
	connectionText = matching("[ABC]", "A, B or C",
		"A feeds the mixer's cold side and the water heater, B the mixer only, C the heater only")
	orientationText = oneOf(string(greywatt.Vertical), string(greywatt.Horizontal))
	channelText     = oneOf(channelNames()...)
	currencyText    = matching("[A-Z]{3}", "three capital letters", `use the ISO 4217 code, such as "EUR"`)
	// RFC 8428 section 4.5.1.
	senmlName = matching(`[A-Za-z0-9][-A-Za-z0-9:._/]*`, "a SenML name: letters, digits and - : . _ /, the first a letter or digit",
		"copy the resolved name (base name and name) that the node sends")
)

// channelNames returns the channels' names on the wire, in their order.
func channelNames() []string {
	var names []string
	for c := range greywatt.Channel(greywatt.NumChannels) {
		names = append(names, c.String())
	}
	return names
}
