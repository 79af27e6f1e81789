package live

import (
	"cmp"

	"greywatt/analysis/finding"
)

// severities order the faults that are found, the most severe first: what wastes
// water or all of the heat, then what wastes a part, then what spoils the
// figures. The order is this project's choice.
var severities = []finding.Code{
	finding.Leak, finding.NoRecovery, finding.ParallelFlow, finding.StepLoss, finding.LowFromStart, finding.BypassAtTimes, finding.Fouling,
	finding.ConnectionDiffers, finding.SensorDead, finding.WasteSensorsSwapped, finding.SupplySensorsSwapped, finding.SensorLoose,
	finding.SensorDrifting, finding.FlowOffScale,
}

// severity returns a fault's place in that order; one that is not in it comes last.
func severity(code finding.Code) int {
	for i, c := range severities {
		if c == code {
			return i
		}
	}
	return len(severities)
}

// A standing is the group of the overview that a dwelling belongs to, the first
// to look at first.
type standing int

const (
	faulty  standing = iota // a fault found, or a log that cannot be read
	alarmed                 // an alarm of late
	absent                  // down or silent
	open                    // too little evidence
	well                    // nothing is known to be wrong
	nothing                 // no readings yet, or their history is being read
)

// bySeverity orders rows: by standing, and in each group the most severe and surest
// first.
func bySeverity(a, b *row) int {
	return cmp.Or(
		cmp.Compare(a.Standing, b.Standing),
		cmp.Compare(a.Severity, b.Severity),
		cmp.Compare(b.Confidence, a.Confidence),
	)
}

// A finding's confidence is shown by how it is written: as a fact from
// certainFrom on, as likely from likelyFrom on, and below as a possibility. Both
// are this project's choice.
const (
	certainFrom = 0.90
	likelyFrom  = 0.70
)

// confidenceClass says how sure a finding is, for its look.
func confidenceClass(p float64) string {
	switch {
	case p >= certainFrom:
		return "certain"
	case p >= likelyFrom:
		return "likely"
	}
	return "possible"
}
