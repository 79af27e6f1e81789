package summary

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/robust"
	"greywatt/analysis/uncert"
)

// A Month is a calendar month in the study's time zone; zero: all of the data.
type Month struct {
	Year  int
	Month time.Month
}

// MonthOf returns the month of an instant in loc.
func MonthOf(at greywatt.Instant, loc *time.Location) Month {
	t := at.Time().In(loc)
	return Month{t.Year(), t.Month()}
}

// String returns the month as in 2026-03, nothing for all of the data.
func (m Month) String() string {
	if m == (Month{}) {
		return ""
	}
	return fmt.Sprintf("%04d-%02d", m.Year, m.Month)
}

// Span returns the month's first instant and the one after its last.
func (m Month) Span(loc *time.Location) (from, to greywatt.Instant) {
	return greywatt.InstantOf(time.Date(m.Year, m.Month, 1, 0, 0, 0, 0, loc)),
		greywatt.InstantOf(time.Date(m.Year, m.Month+1, 1, 0, 0, 0, 0, loc))
}

func compareMonths(a, b Month) int {
	return cmp.Or(cmp.Compare(a.Year, b.Year), cmp.Compare(a.Month, b.Month))
}

// A Tally is what adds up over events and dwellings.
type Tally struct {
	Showers    int
	OtherDraws int
	Partial    int // a gap hides part of them

	Used     int         // events behind the effectiveness
	Rejected []Rejection // the other showers and partial ones with warm waste, the most frequent reason first

	// HeatKWh is what the mains water gained in showers, and in the parts that
	// are known of partial ones, as measured: nothing is added for missing time.
	// Draws without warm waste are left out: what their water gains is the warmth
	// of the room or of an earlier shower, standing in the unit. What a shower's
	// own first litre gains so is still in.
	HeatKWh, HeatU95KWh float64 // NaN without events, and where no warm one has a heat that counts
	HeatShares          Shares  // of HeatU95KWh, kWh
	HeatEvents          int     // events in that sum
	HeatLeftOut         int     // warm events without a heat, or with clamps in doubt

	// What the heater did not have to make. Recovered heat takes the place of
	// heat from the heater one to one in each of the connections: in A and B the
	// mixer draws less hot water, in A and C the heater's own supply comes warmer,
	// and the sum of both is the heat that the mains water brings along. Fuel is
	// that over the heater's efficiency. Heat lost from the preheated pipe behind the unit after a shower
	// is not seen and not taken off. The errors of price and carbon are common to all
	// dwellings, that of the efficiency to heaters of a kind.
	FuelKWh, FuelU95KWh   float64
	CarbonKg, CarbonU95Kg float64 // of the dwellings that state it; NaN where none does
	Money                 []Money // one a currency; empty where no price is stated
}

// A Rejection counts events that were not used for the effectiveness.
type Rejection struct {
	Reason event.Flag // a flag of theirs, or the code of a finding that spoils them
	Events int
}

// Money is a sum saved.
type Money struct {
	Currency   string
	Saved, U95 float64
}

// A Summary is one dwelling over all of its data or over one month.
type Summary struct {
	Dwelling   string
	Connection greywatt.Connection
	Group      string // as the study file has it
	Month      Month
	Tally
	Effectiveness       Estimate
	Ratio               Estimate           // measured / expected
	ByHeat, ByTime      Weighted           // the same, weighted by the heat of the showers and by the time of their water
	Expected            float64            // median over the same events, at their own flows and temperatures
	HeatOwnU            float64            // standard uncertainty of HeatKWh that its events do not share, kWh
	HeatSystematic      []SystematicEffect // what they share
	fuel, carbon, money contribution

	ExpectedU95   float64 // median of theirs: the method's, so that it does not average out
	MainsC        float64 // °C, median cold-in of the same events; NaN without any
	AtCertificate float64 // Expected at the inlet temperatures of the certificate: a fall of Expected in winter against it is the water's
}

// A Dwelling is a dwelling over all of its data and month by month.
type Dwelling struct {
	Summary
	Months []Summary // those with events, in order
}

// sureEnough is the confidence from which a finding about sensors keeps events
// out of the figures: this project's choice.
const sureEnough = 0.8

// disagree is by how much the effectiveness may differ by which side it is
// taken from: this project's choice.
const disagree = 0.05

// spoils says which figures a finding makes wrong, from the day that it dates.
func spoils(f finding.Finding) (effectiveness, heat bool) {
	switch f.Code {
	case finding.WasteSensorsSwapped, finding.ConnectionDiffers:
		return true, false
	case finding.FlowOffScale, finding.SupplySensorsSwapped, finding.SensorLoose:
		return true, true
	case finding.SensorDrifting, finding.SensorDead:
		switch f.Channel {
		case greywatt.ColdIn.String(), greywatt.PreheatOut.String(), greywatt.Flow.String():
			return true, true
		case greywatt.WasteIn.String(), greywatt.WasteOut.String():
			return true, false
		}
	}
	return false, false
}

// OfDwelling sums up a dwelling's events, in time order, for the study's time
// zone. Events with sensors in doubt, by a finding of the given ones with a
// confidence of 0.8 and more, do not count for the figures that the finding
// makes wrong. Nor do those whose steady parts make less than a minute, whose
// figure is not possible, or whose two sides disagree about the heat by more
// than a twentieth of the most that could pass. A unit that recovers nothing has
// an effectiveness near 0, and that counts.
func OfDwelling(d *greywatt.Dwelling, loc *time.Location, events []event.Event, findings []finding.Finding) Dwelling {
	c := NewCollector(d, loc, findings)
	for i := range events {
		c.Add(&events[i])
	}
	return c.Dwelling()
}

// A Collector sums up a dwelling's events one by one, as OfDwelling does, and keeps
// none of them.
type Collector struct {
	dwelling *greywatt.Dwelling
	findings []finding.Finding
	loc      *time.Location
	all      sums
	month    sums
	of       Month // whose sums month are; zero before the first event
	months   []Summary
}

// NewCollector returns a collector for OfDwelling's arguments.
func NewCollector(d *greywatt.Dwelling, loc *time.Location, findings []finding.Finding) *Collector {
	if loc == nil {
		loc = time.UTC
	}
	return &Collector{dwelling: d, findings: findings, loc: loc}
}

// Add takes the next event in time.
func (c *Collector) Add(e *event.Event) {
	if m := MonthOf(e.Start, c.loc); m != c.of {
		c.endMonth()
		c.of = m
	}
	c.all.add(c.dwelling, e, c.findings)
	c.month.add(c.dwelling, e, c.findings)
}

func (c *Collector) endMonth() {
	if c.of == (Month{}) {
		return
	}
	s := c.month.summary(c.dwelling)
	s.Month = c.of
	c.months = append(c.months, s)
	c.month = sums{}
}

// Dwelling returns the sums of the events so far, and ends their last month.
func (c *Collector) Dwelling() Dwelling {
	c.endMonth()
	c.of = Month{}
	return Dwelling{Summary: c.all.summary(c.dwelling), Months: c.months}
}

// sums are what the events of a time add up to.
type sums struct {
	Tally
	events   int
	rejected map[event.Flag]int
	heat     event.HeatSum
	heaters  heaterShares

	// Of the events used, one value each.
	eff, ratio, ownEff, ownRatio               []float64
	expected, expectedU95, certificate, mainsC []float64
	ofEff, ofRatio                             contributions
	byHeat, byTime                             weights
}

// contributions are those of the shared inputs to a figure, one an event that has
// the input, in the order of the budgets.
type contributions struct {
	names []string
	by    map[string][]float64
}

func (c *contributions) add(rows []uncert.Row) {
	if c.by == nil {
		c.by = map[string][]float64{}
	}
	for _, r := range rows {
		if event.SharingOf(r.Name) == event.Own {
			continue
		}
		if _, ok := c.by[r.Name]; !ok {
			c.names = append(c.names, r.Name)
		}
		c.by[r.Name] = append(c.by[r.Name], r.Contribution)
	}
}

// systematic returns what one standard uncertainty of each shared input does
// to the median over the events: the median of the events' signed
// contributions, so that an error whose effect changes sign from event to event
// averages out.
func (c *contributions) systematic(d *greywatt.Dwelling) []SystematicEffect {
	var out []SystematicEffect
	for _, name := range c.names {
		if shift := robust.Median(c.by[name]); shift != 0 && !math.IsNaN(shift) {
			out = append(out, effectOf(d, name, shift))
		}
	}
	return out
}

func (s *sums) add(d *greywatt.Dwelling, e *event.Event, findings []finding.Finding) {
	s.events++
	switch e.Kind {
	case event.Shower:
		s.Showers++
	case event.OtherDraw:
		s.OtherDraws++
		return
	case event.Partial:
		s.Partial++
	}
	if e.Has(event.FlagNoWarmWaste) {
		return // a partial one
	}
	if reason := notUsed(e, findings); reason != "" {
		if s.rejected == nil {
			s.rejected = map[event.Flag]int{}
		}
		s.rejected[reason]++
	} else {
		s.Used++
		s.eff, s.ratio = append(s.eff, e.Effectiveness), append(s.ratio, e.Ratio)
		s.ownEff, s.ownRatio = append(s.ownEff, event.RandomU(e.Budgets.Effectiveness)), append(s.ownRatio, event.RandomU(e.Budgets.Ratio))
		s.expected, s.expectedU95 = append(s.expected, e.Expected), append(s.expectedU95, e.ExpectedU95)
		s.certificate, s.mainsC = append(s.certificate, e.Expected/e.TemperatureFactor), append(s.mainsC, e.ColdInC)
		s.ofEff.add(e.Budgets.Effectiveness.Rows)
		s.ofRatio.add(e.Budgets.Ratio.Rows)
		s.byTime.add(e, e.RunningS, false)
		if heatCounts(e, findings) {
			s.byHeat.add(e, e.HeatKWh, true)
		}
	}
	if !heatCounts(e, findings) {
		s.HeatLeftOut++
		return
	}
	s.HeatEvents++
	s.heat.Add(e)
	s.heaters = s.heaters.with(d, e)
}

func (s *sums) summary(d *greywatt.Dwelling) Summary {
	out := Summary{Dwelling: d.ID, Connection: d.Last().Connection, Group: d.Group, Tally: s.Tally}
	out.Rejected = rejections(s.rejected)
	out.HeatKWh, out.HeatU95KWh = s.heat.KWh, s.heat.U95()
	out.HeatOwnU = s.heat.Own()
	common := s.heat.Common()
	for _, name := range slices.Sorted(maps.Keys(common)) { // in one order, for the same digits
		out.HeatSystematic = append(out.HeatSystematic, effectOf(d, name, common[name]))
	}
	out.HeatShares = sharesOf([]contribution{{1, out.HeatOwnU, out.HeatSystematic}})
	if out.HeatEvents == 0 && out.HeatLeftOut > 0 || s.events == 0 {
		out.HeatKWh, out.HeatU95KWh = math.NaN(), math.NaN()
	}
	out.save(s.heaters.mean(&d.Heater))
	out.Effectiveness = newEstimate(s.eff, s.ownEff, s.ofEff.systematic(d))
	out.Ratio = newEstimate(s.ratio, s.ownRatio, s.ofRatio.systematic(d))
	out.ByHeat, out.ByTime = s.byHeat.mean(d), s.byTime.mean(d)
	out.Expected, out.ExpectedU95 = robust.Median(s.expected), robust.Median(s.expectedU95)
	out.AtCertificate, out.MainsC = robust.Median(s.certificate), robust.Median(s.mainsC)
	return out
}

// heatCounts reports whether a warm event's heat is one of the sums'.
func heatCounts(e *event.Event, findings []finding.Finding) bool {
	_, bad := spoiled(e, findings)
	return bad == "" && !e.Has(event.FlagReversed) && !math.IsNaN(e.HeatKWh) && !math.IsNaN(e.HeatU95KWh)
}

// spoiled returns the finding that makes the event's effectiveness, or its
// heat, wrong.
func spoiled(e *event.Event, findings []finding.Finding) (effectiveness, heat event.Flag) {
	for _, f := range findings {
		if f.Confidence < sureEnough || e.Start < f.Since || f.Until != 0 && e.Start > f.Until {
			continue
		}
		eff, ht := spoils(f)
		if eff && effectiveness == "" {
			effectiveness = event.Flag(f.Code)
		}
		if ht && heat == "" {
			heat = event.Flag(f.Code)
		}
	}
	return effectiveness, heat
}

// Flags that say why there is no effectiveness, the most telling first, and
// those that keep one out of a summary.
var (
	whyNone = []event.Flag{
		event.FlagNoWasteIn, event.FlagNoColdIn, event.FlagNoPreheatOut, event.FlagSlowSampling, event.FlagNoSettledFlow,
		event.FlagSmallSpan, event.FlagGap, event.FlagStartHidden, event.FlagEndHidden, event.FlagHeatIncomplete,
	}
	whyDoubtful = []event.Flag{event.FlagReversed, event.FlagNotPlausible, event.FlagUnbalanced, event.FlagShortSteady}
)

// notUsed returns why the event does not count for the effectiveness, nothing
// where it does.
func notUsed(e *event.Event, findings []finding.Finding) event.Flag {
	if math.IsNaN(e.Effectiveness) {
		for _, f := range whyNone {
			if e.Has(f) {
				return f
			}
		}
		return event.FlagNoSettledFlow
	}
	if reason, _ := spoiled(e, findings); reason != "" {
		return reason
	}
	for _, f := range whyDoubtful {
		if e.Has(f) && (f != event.FlagUnbalanced || math.Abs(e.Balance-1)*math.Abs(e.Effectiveness) > disagree) {
			return f
		}
	}
	if math.IsNaN(e.EffectivenessU95) || math.IsNaN(e.Ratio) || math.IsNaN(e.RatioU95) {
		return event.FlagNotPlausible
	}
	return ""
}

func rejections(count map[event.Flag]int) []Rejection {
	var out []Rejection
	for reason, n := range count {
		out = append(out, Rejection{reason, n})
	}
	slices.SortFunc(out, func(a, b Rejection) int {
		return cmp.Or(cmp.Compare(b.Events, a.Events), cmp.Compare(a.Reason, b.Reason))
	})
	return out
}

// heaterShares are heaters that made the hot water one after another, with the heat
// that each did not have to give, kWh.
type heaterShares []heaterShare

type heaterShare struct {
	heater  greywatt.Heater
	heatKWh float64
}

// with adds an event.
func (hs heaterShares) with(d *greywatt.Dwelling, e *event.Event) heaterShares {
	h := &d.Heater
	if len(d.Versions) > 0 {
		h = &d.At(e.Start).Heater
	}
	if n := len(hs); n == 0 || !sameHeater(&hs[n-1].heater, h) {
		hs = append(hs, heaterShare{heater: *h})
	}
	hs[len(hs)-1].heatKWh += e.HeatKWh
	return hs
}

// sameHeater compares heaters, of which figures that are not stated are NaN.
func sameHeater(a, b *greywatt.Heater) bool {
	same := func(x, y float64) bool { return x == y || math.IsNaN(x) && math.IsNaN(y) }
	return a.Kind == b.Kind && a.Currency == b.Currency && a.HotC == b.HotC && same(a.Efficiency, b.Efficiency) &&
		same(a.CarbonKgPerKWh, b.CarbonKgPerKWh) && same(a.PricePerKWh, b.PricePerKWh) &&
		a.EfficiencyU95Relative == b.EfficiencyU95Relative && a.CarbonU95Relative == b.CarbonU95Relative && a.PriceU95Relative == b.PriceU95Relative
}

// mean returns the heater whose fuel, carbon and money for the whole heat are the
// sum of those of each heater for its own; or, where there is none, or.
func (hs heaterShares) mean(or *greywatt.Heater) *greywatt.Heater {
	if len(hs) == 0 {
		return or
	}
	out := hs[len(hs)-1].heater
	if len(hs) == 1 {
		return &out
	}
	var heat, fuel, carbon, money, uFuel, uCarbon, uMoney float64
	for _, s := range hs {
		h := &s.heater
		f := s.heatKWh / h.Efficiency
		heat, fuel, carbon, money = heat+s.heatKWh, fuel+f, carbon+f*h.CarbonKgPerKWh, money+f*h.PricePerKWh
		uFuel, uCarbon, uMoney = uFuel+f*h.EfficiencyU95Relative, uCarbon+f*h.CarbonKgPerKWh*h.CarbonU95Relative, uMoney+f*h.PricePerKWh*h.PriceU95Relative
		if h.Currency != out.Currency {
			money = math.NaN() // two currencies have no sum
		}
	}
	if !(heat > 0) {
		return &out
	}
	out.Efficiency, out.CarbonKgPerKWh, out.PricePerKWh = heat/fuel, carbon/fuel, money/fuel
	out.EfficiencyU95Relative = uFuel / fuel
	if carbon > 0 {
		out.CarbonU95Relative = uCarbon / carbon
	}
	if money > 0 {
		out.PriceU95Relative = uMoney / money
	}
	return &out
}

// save turns the tally's heat into what the heater did not need.
func (s *Summary) save(h *greywatt.Heater) {
	known := !math.IsNaN(s.HeatKWh)
	u95 := func(c contribution) float64 {
		if !known {
			return math.NaN()
		}
		return sharesOf([]contribution{c}).U95()
	}
	s.FuelKWh = s.HeatKWh / h.Efficiency
	s.fuel = contribution{1 / h.Efficiency, s.HeatOwnU, s.HeatSystematic}.with(
		SystematicEffect{Input: "heater efficiency", Shift: s.FuelKWh * h.EfficiencyU95Relative / 2, Batch: h.Kind, InBatch: 1})
	s.FuelU95KWh = u95(s.fuel)
	s.CarbonKg = s.FuelKWh * h.CarbonKgPerKWh
	s.carbon = s.fuel.times(h.CarbonKgPerKWh).with(
		SystematicEffect{Input: "carbon a kWh", Shift: s.CarbonKg * h.CarbonU95Relative / 2, InBatch: 1})
	s.CarbonU95Kg = u95(s.carbon)
	if !math.IsNaN(h.PricePerKWh) && known {
		saved := s.FuelKWh * h.PricePerKWh
		s.money = s.fuel.times(h.PricePerKWh).with(
			SystematicEffect{Input: "price", Shift: saved * h.PriceU95Relative / 2, Batch: h.Currency, InBatch: 1})
		s.Money = []Money{{h.Currency, saved, u95(s.money)}}
	}
}
