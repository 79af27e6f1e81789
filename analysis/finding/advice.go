package finding

import "greywatt"

// Cautions that belong to work on the pipes.
const (
	CautionPipe  = "Work on drinking-water pipe and heater is for licensed people, by local codes."
	CautionScald = "Preheated water changes what the mixer gets: check the thermostatic valve's outlet for scald after any change; never lower store or valve settings to make up for it."
	CautionStale = "Preheated water that stands lies in the range in which legionella grows: flush after work, by local guidance."
	cautionTools = "Keep mains-powered tools away from wet pipes."
	cautionClean = "Wear gloves and eye protection, ventilate, use no acid on copper, and never mix cleaning agents."
)

// Advice says what to check first, and the cautions that belong to it.
func Advice(c Code) (advice string, cautions []string) {
	switch c {
	case Fouling:
		return "Clean the waste side of the unit (hair and soap film) and note the date as cleaned; look at the trend after a week.", []string{cautionClean, CautionScald, CautionStale}
	case StepLoss:
		return "Ask what happened that day: plumbing work, a blocked trap, a shifted unit. Check that it hangs plumb and that its valves are fully open.",
			[]string{CautionPipe, CautionScald, CautionStale}
	case LowFromStart:
		return "Check plumb (a tilted unit wets one side only), the drain entry above it, and that type and size are the certificate's. Then valves and strainers on the mains side.",
			[]string{CautionPipe, CautionScald, CautionStale}
	case ParallelFlow:
		return "Check that mains enters at the bottom and leaves preheated at the top; exchange the two supply connections if not.",
			[]string{CautionPipe, CautionScald, CautionStale}
	case WasteSensorsSwapped:
		return "Exchange the clamps waste-in and waste-out, or their names in the study file. The unit itself shows no fault in this.", nil
	case SupplySensorsSwapped:
		return "Exchange the clamps cold-in and preheat-out, or their names in the study file. If both clamps sit right, the mains connections are crossed: see parallel flow.",
			[]string{CautionPipe, CautionScald, CautionStale}
	case NoRecovery:
		return "Check for an open bypass or a closed valve at the unit, and that shower waste really falls through it.",
			[]string{CautionPipe, CautionScald, CautionStale}
	case ConnectionDiffers:
		return "Trace where the preheated pipe goes: mixer, heater or both; correct the study file, or the pipework if the design was another.",
			[]string{CautionPipe, CautionScald, CautionStale}
	case FlowOffScale:
		return "Check the flow sensor against a bucket and a watch at two flows; set its scale in the study file.", nil
	case BypassAtTimes:
		return "Look for what differs in those showers: a bypass or thermostatic valve that opens, a second shower or bath that drains elsewhere, a branch that does not fall through the unit.",
			[]string{CautionPipe, CautionScald, CautionStale}
	case Healthy:
		return "Nothing to do. Keep the preheated pipe in regular use.", []string{CautionStale}
	}
	return "Wait for more showers, or run one of ten minutes with nothing else drawing.", nil
}

// adviseSensor says what to do about one clamp.
func adviseSensor(c greywatt.Channel) (advice string, cautions []string) {
	return "Look at the clamp " + c.String() + ": strap, paste and insulation; it must sit on the wetted side. Refit it and compare with a hand-held probe.",
		[]string{cautionTools}
}

func (d *diagnoser) date(at greywatt.Instant) string {
	return at.Time().In(d.study.Location()).Format("2006-01-02")
}
