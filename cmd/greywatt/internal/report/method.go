package report

import "strings"

// A part is a part of the method.
type part struct {
	Head    string
	Formula bool // of the effectiveness, after the first paragraph
	Paras   []string
}

// formula is that of the effectiveness, for where it cannot be set.
const formula = "C_cold (T_preheat out − T_cold in) / (C_min (T_waste in − T_cold in))"

var method = []part{
	{"Effectiveness", true, []string{
		"In each unit warm waste water falls one way and mains water rises the other. With C the product of mass flow and specific heat, effectiveness is the heat that the mains water gained over the most that the smaller side could have given or taken:",
		"Where the mains side is the smaller, or both are equal, this is the plain ratio of temperatures that certificates state. Water properties are those of the IAPWS supplementary release SR6-08.",
	}},
	{"Temperatures, draws, steady parts", false, []string{
		"Clamps are corrected for their declared offset, for the share of the room that they show, and for their lag, which is undone by a smoother that knows their noise. A draw is mains flow; it is a shower when warm waste water runs on the other side. Its effectiveness is taken over the parts in which flow has settled and the unit has followed it, weighted by the heat that each moved; what is left of the transient at their beginning is fitted and taken off.",
	}},
	{"Waste side", false, []string{
		"In connection A (preheated water to mixer and heater) both sides carry the same flow while only the shower runs. In B (mixer only) and C (heater only) the mains side carries less; where the drain is not metered, its flow follows from the heat that either side shows, with 2 % of the drain’s heat, give or take 1.5 % (one standard uncertainty), lost to the room.",
	}},
	{"Expected effectiveness", false, []string{
		"The certificate’s points hold for equal flow on both sides. They fix the unit’s conductance, which is divided between the falling film, the mains side and the wall with flow exponents from the literature; all divisions that fit the points are carried along, and what they disagree about at unequal flows is part of the uncertainty. Flows outside the certificate’s points by more than a tenth are flagged with the event.",
	}},
	{"Which events count", false, []string{
		"Medians are over showers with a minute or more of steady flow whose figures are possible and whose two sides agree about the heat within 12 %. From the day of a finding about sensors or piping that is at least 80 % sure, a dwelling’s events do not count for the figures that the finding makes wrong. What was left out is listed under “Events not used”.",
	}},
	{"Heat, fuel, carbon, money", false, []string{
		"Heat is what the mains water gained over whole showers, the warming up included, and over what is known of showers with a gap. Nothing is added for missing data. Draws without warm waste water are left out: what their water gains is warmth of the room or of an earlier shower, standing in the unit. The first litre of a shower gains so too, and is still in; what stands in the preheated pipe after a shower and cools is not seen.",
		"Recovered heat takes the place of heat from the heater one to one, in each connection: in A and B the mixer draws less hot water, in A and C the heater’s own supply comes warmer. Fuel is that heat over the heater’s efficiency. Efficiency, carbon factor and price are the study file’s, with the uncertainties that it states for them; where it states none they are taken as exact. Currencies are not added to each other.",
	}},
	{"A year", false, []string{
		"From a fortnight of readings on a year is estimated: a wave of the mains temperature is fitted to the dwelling’s own, together with what is known of such waves beforehand; heat follows the span between waste water and mains; time without readings is filled in at the mean of the rest. Its uncertainty is that of the measured heat, of what other weeks would have been like by the scatter from week to week, of the season, and of showers whose heat does not count, which are taken to be like the others. It assumes that the household goes on as it did.",
	}},
	{"Before and after work", false, []string{
		"For each cleaning and repair that study file or journal date, the median ratio of the four weeks before is compared with that of the four weeks after, less where other work or another sensor comes between. What the sensors are off by is in both and cancels. The mean over dwellings is by random effects. Where a unit was fouling, the four weeks before are better than the last day before: the effect at that moment was greater.",
	}},
	{"Trend and cleaning", false, []string{
		"The trend follows the unit’s conductance against that of the rated unit at the same flows, which depends on neither flow nor season nor connection. Its model is the simplest that the showers ask for, no change, line, step, bend or an approach to a limit, by a penalised likelihood that allows for serial correlation. Loss is against the unit when clean, the best that the trend has shown at the start of the record or after a cleaning, with an allowance of 2 % for the season. What a clean unit would recover on top is reckoned at the use of the last four weeks. Cleaning is advised where the loss of effectiveness passes a threshold, here LOSS of the clean unit’s; nobody has published one for this duty, and the program’s default of 10 % is its project’s choice.",
	}},
}

// uncertainty is said before and after the table of what does not average out.
var (
	uncertainty = []string{
		"Each event has an uncertainty budget after JCGM 100 (the GUM). Over the events of a dwelling its uncertainties fall into two groups. Noise, transients and the true differences between showers average out: their part is the distribution-free 95 % interval of the median. The offsets of the clamps, the scale of the flow meter and the conversion of the certificate’s points are the same in every event and do not, however many there are. Both parts are stated with each dwelling, and added in squares.",
		"Over the dwellings of the study what is a dwelling’s own falls with their number. What sensors of one batch share does not, nor what the method assumes, of the drain’s loss to the room and of the division of the units’ resistance. Sensors of which the study file states no batch count as one batch.",
	}
	uncertaintyAfter = []string{"Errors of the sensors add up in sums of heat, with their signs, while those of the ends of draws add up in squares. The uncertainty of the certificate itself is not stated by certificates and is not part of any figure here."}
)

// A caution has a word that it is known by.
type caution struct{ Word, Text string }

var cautions = []caution{
	{"Scald.", "Preheated water changes what a mixer gets on its cold side. After any change to a unit, its valves or its connection, check the outlet temperature of the thermostatic valve."},
	{"Legionella.", "Preheated water lies in the range in which legionella grows. Keep the preheated pipe short and in regular use, flush it after work and after absence, by local guidance. Never lower a store’s or a valve’s setting to make up for a warmer supply."},
	{"Licensed practice.", "Work on drinking-water pipe, on heaters and on mains-powered parts is for licensed people, by local codes."},
	{"Not for billing.", "Sensors clamped to a pipe’s surface lie outside the scope of EN 1434, the standard of heat meters. These figures are for research and maintenance."},
	{"What the figures do not mean.", "A ratio below 1 is not by itself a defect of the product: certificates are measured in steady state, at equal flows, on a plumb and clean unit. Findings are probabilities, and say what to check first. Savings are against the same household without a unit, with the habits that it has."},
}

// methodAt returns the method with the threshold that the report was made with.
func methodAt(loss string) []part {
	out := make([]part, len(method))
	for i, p := range method {
		out[i] = part{Head: p.Head, Formula: p.Formula}
		for _, text := range p.Paras {
			out[i].Paras = append(out[i].Paras, strings.ReplaceAll(text, "LOSS", loss))
		}
	}
	return out
}

// cautionsOf adds what is to be said of people.
func cautionsOf(pseudonyms bool) []caution {
	words := "Dwellings appear under their ids here: share this report only with those who may know them."
	if pseudonyms {
		words = "Dwellings appear under pseudonyms here; with few dwellings, dates and units can still point to a home."
	}
	return append(cautions[:len(cautions):len(cautions)], caution{"People.", "The times of showers are personal data. " + words})
}
