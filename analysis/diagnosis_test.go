package analysis_test

import (
	"fmt"
	"reflect"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
)

// Events without budgets, and events from the compact store, give the diagnosis
// that the full events give.
func TestDiagnosisOfCompactEvents(t *testing.T) {
	for _, h := range simulate.Demo(4, 8, time.UTC).Houses[:3] {
		study := &greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}
		dwelling := &study.Dwellings[0]
		full, lean := event.NewAnalyser(study, dwelling), event.NewAnalyser(study, dwelling)
		lean.OmitBudgets()
		var events, leanEvents []event.Event
		for f := range h.Frames(nil) {
			one := []greywatt.Frame{f}
			events, leanEvents = append(events, full.Push(one)...), append(leanEvents, lean.Push(one)...)
		}
		events, leanEvents = append(events, full.Close()...), append(leanEvents, lean.Close()...)
		var history event.History
		history.Add(events...)
		want := finding.Diagnose(study, dwelling, event.All(events), nil)
		if got := finding.Diagnose(study, dwelling, event.All(leanEvents), nil); !reflect.DeepEqual(got.Findings, want.Findings) {
			t.Errorf("%s: findings without budgets differ:\n%+v\n%+v", h.Dwelling.ID, got.Findings, want.Findings)
		}
		got := finding.Diagnose(study, dwelling, history.All(), nil)
		if g, w := fmt.Sprintf("%+v %+v", got.Findings, got.Trend), fmt.Sprintf("%+v %+v", want.Findings, want.Trend); g != w {
			t.Errorf("%s: the diagnosis of the history differs:\n%s\n%s", h.Dwelling.ID, g, w)
		}
	}
}
