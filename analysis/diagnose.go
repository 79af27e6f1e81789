package analysis

import "greywatt"

// A Diagnosis is what the events of one dwelling add up to.
type Diagnosis struct {
	Findings []Finding // strongest first
	Trend    []TrendPoint
}

// Diagnose reads the findings and the trend out of a dwelling's events, in time
// order.
func Diagnose(study *greywatt.Study, d *greywatt.Dwelling, events []Event) Diagnosis {
	var x Diagnosis
	for i := range events {
		if e := &events[i]; e.UARatio == e.UARatio {
			x.Trend = append(x.Trend, TrendPoint{Dwelling: d.ID, EventID: e.ID, At: e.Start, UARatio: e.UARatio, UARatioU95: e.UARatioU95})
		}
	}
	x.Findings = []Finding{{Dwelling: d.ID, Code: Undecided}}
	return x
}
