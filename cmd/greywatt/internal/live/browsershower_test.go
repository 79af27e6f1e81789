package live

import (
	"cmp"
	"encoding/csv"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/browser"
	"greywatt/cmd/greywatt/internal/dataset"
)

// aShower returns a study with one dwelling, its readings, moved so that a
// shower begins now, and where in them it begins, is in its last third, has ended, and
// has long been over.
func aShower(t testing.TB) (study *greywatt.Study, frames []greywatt.Frame, begin, amid, ended, over int) {
	t.Helper()
	study, simulated := house(t, 3)
	events, _ := batch(study, simulated)
	alone := func(i int) bool { // nothing before or after it for a while
		return i > 4 && i+1 < len(events) && events[i].Start.Sub(events[i-1].End) > 400 && events[i+1].Start.Sub(events[i].End) > 500
	}
	i := 1 + slices.IndexFunc(events, func(e event.Event) bool { return finite(e.Effectiveness) }) // one before it
	for i < len(events) && !(events[i].Kind == event.Shower && finite(events[i].Effectiveness) && events[i].DurationS < 620 && alone(i)) {
		i++
	}
	if i == len(events) {
		t.Fatal("no shower of less than ten minutes that stands alone in the simulated days")
	}
	// To the second, so that the shift does not change how times are written.
	now := greywatt.InstantOf(time.Now().Truncate(time.Second))
	shift := now - events[i].Start
	shift -= shift % 1e6
	for _, f := range simulated {
		f.At += shift
		frames = append(frames, f)
	}
	find := func(at greywatt.Instant) int {
		n, _ := slices.BinarySearchFunc(frames, at, func(f greywatt.Frame, at greywatt.Instant) int { return cmp.Compare(f.At, at) })
		return n
	}
	study.Dwellings[0].Commissioned = greywatt.Date{}
	from, to := events[i].Start+shift, events[i].End+shift
	return study, frames, find(from.Add(-20)), find(from.Add(0.7 * to.Sub(from))), find(to.Add(60)), find(to.Add(450))
}

// A shower published over MQTT appears on the page while it runs, its figures
// so far and then the event, without the page being loaded again; and the
// event's page has the figures that the export has.
func TestShowerAppears(t *testing.T) {
	study, frames, begin, amid, ended, over := aShower(t)
	s := newSite(t, study, true, frames[:begin]...)
	d := study.Dwellings[0].ID
	b := browser.Open(t, s.url)
	nodes := map[string]*testNode{}
	for _, f := range frames[begin:over] {
		if nodes[f.Node] == nil {
			nodes[f.Node] = s.node(t, d, f.Node)
		}
	}
	b.Look(1280, "light")
	b.Open("/dwelling/" + d)
	b.Await("the history", `document.querySelector("#events tbody tr") && document.querySelector(".found")`)
	rows := browser.Eval[int](b, `document.querySelectorAll("#events tbody tr").length`)
	first := browser.Eval[string](b, `document.querySelector("#events tbody a").getAttribute("href")`)
	b.Do(chromedp.Evaluate[chromedp.Void](`window.notLoadedAgain = true`))
	if browser.Eval[bool](b, `Boolean(document.querySelector(".sofar"))`) {
		t.Error("figures so far before any water runs")
	}

	publish := func(frames []greywatt.Frame) {
		for _, f := range frames {
			nodes[f.Node].publish(f)
		}
	}
	publish(frames[begin:amid])
	b.Await("the water", `document.getElementById("state").textContent === "Water runs"`)
	b.Await("the arrows", `document.getElementById("unit").classList.contains("flows")`)
	b.Await("figures so far", `/This shower\s+so far/.test(document.querySelector(".sofar")?.innerText || "")`)
	b.Await("the effectiveness so far", `/Effectiveness so far\s+0\.\d+ ± 0\.\d+/.test(document.querySelector(".sofar")?.innerText || "")`)
	b.Shot("shower-light-1280")
	b.Look(390, "dark")
	b.Await("the drawing", `document.querySelectorAll("#strip path.series").length === 5 && document.querySelector("#strip path.s0").getAttribute("d").length > 100`)
	b.Shot("shower-dark-390")
	publish(frames[amid:ended])
	b.Await("the water to stop", `document.getElementById("state").textContent === "Up" && /stopped/.test(document.querySelector(".sofar")?.innerText || "")`)
	publish(frames[ended:over])
	b.Await("the event", `document.querySelector("#events tbody a").getAttribute("href") !== `+strconv.Quote(first))
	b.Await("the end of the figures so far", `!document.querySelector(".sofar")`)
	if !browser.Eval[bool](b, `window.notLoadedAgain === true`) {
		t.Error("the page was loaded again")
	}
	if got := browser.Eval[int](b, `document.querySelectorAll("#events tbody tr").length`); got != min(rows+1, lastShowers) {
		t.Errorf("%d showers listed after %d", got, rows)
	}

	b.Do(chromedp.Evaluate[chromedp.Void](`document.querySelector("#events tbody a").click()`))
	b.Await("the event's page", `document.getElementById("effectiveness") && document.images.length && document.images[0].complete`)
	b.Shot("event-dark-390")
	id := strings.TrimPrefix(browser.Eval[string](b, "location.pathname"), "/event/")
	compare(t, b, exported(t, s, study, id))
}

// exported returns an event's row of events.csv, by column.
func exported(t testing.TB, s *site, study *greywatt.Study, id string) map[string]string {
	t.Helper()
	d := &study.Dwellings[0]
	var frames []greywatt.Frame
	for batch, err := range s.store.Frames(t.Context(), d.ID, 0, 0) {
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, batch...)
	}
	events, diagnosis := batch(study, frames)
	dir := t.TempDir()
	p := dataset.New(study, "test", dir)
	defer p.Close()
	if err := p.Add(events, diagnosis); err != nil {
		t.Fatal(err)
	}
	if err := p.Write(dir); err != nil {
		t.Fatal(err)
	}
	file, err := os.Open(filepath.Join(dir, "events.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	row := map[string]string{}
	for _, r := range rows[1:] {
		for i, column := range rows[0] {
			if r[0] == id {
				row[column] = r[i]
			}
		}
	}
	if len(row) == 0 {
		t.Fatalf("the export has no event %s", id)
	}
	return row
}

var figurePattern = regexp.MustCompile(`^([−\d.]+)(?: ± ([\d.]+))?`)

// compare holds every figure on the event's page against the export: each must
// be the export's, rounded to the digits that the page shows.
func compare(t testing.TB, b *browser.Tab, row map[string]string) {
	t.Helper()
	n := 0
	for _, column := range []string{"effectiveness", "expected", "ratio", "heat_kwh", "volume_l", "flow_l_min",
		"waste_in_c", "waste_out_c", "cold_in_c", "preheat_out_c", "waste_flow_l_min", "balance"} {
		shown := browser.Eval[string](b, fmt.Sprintf(`document.getElementById(%q)?.textContent || ""`, column))
		m := figurePattern.FindStringSubmatch(shown)
		if m == nil {
			if row[column] != "" {
				t.Errorf("%s is %q on the page, %s in the export", column, shown, row[column])
			}
			continue
		}
		u95 := row[strings.Replace(column, "_kwh", "_u95_kwh", 1)]
		if !strings.HasSuffix(column, "_kwh") {
			u95 = row[column+"_u95"]
		}
		for i, want := range []string{row[column], u95} {
			if m[i+1] == "" {
				continue
			}
			n++
			digits := 0
			if _, fraction, ok := strings.Cut(m[i+1], "."); ok {
				digits = len(fraction)
			}
			exact, err := strconv.ParseFloat(want, 64)
			got, err2 := strconv.ParseFloat(strings.ReplaceAll(m[i+1], "−", "-"), 64)
			if err != nil || err2 != nil || math.Abs(got-exact) > 0.501*math.Pow10(-digits) {
				t.Errorf("%s is %s on the page, %s in the export", column, m[i+1], want)
			}
		}
	}
	if n < 14 {
		t.Errorf("only %d figures compared", n)
	}
}

// latencyWant is the median from a publish to the pixels that the page promises.
const latencyWant = time.Second

var samples = flag.Int("samples", 20, "values that TestPublishToPixel publishes")

// TestPublishToPixel measures, with the clock that node and browser share, from
// the node's publish to the frame in which the browser has painted the value.
func TestPublishToPixel(t *testing.T) {
	study := twoDwellings()
	s := newSite(t, study, true)
	b := browser.Open(t, s.url)
	n := s.node(t, "larch-05", "n1")
	n.history(oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.WasteIn: 10}))
	b.Open("/dwelling/larch-05")
	b.Await("the stream", `document.getElementById("v-waste-in").textContent === "10.0"`)
	// A message from a channel comes after the frame is painted that the
	// animation callback prepared.
	b.Do(chromedp.Evaluate[chromedp.Void](`
		window.painted = {};
		const clock = () => performance.timeOrigin + performance.now();
		new MutationObserver(() => {
			const text = document.getElementById("v-waste-in").textContent;
			requestAnimationFrame(() => {
				const after = new MessageChannel();
				after.port1.onmessage = () => { window.painted[text] ??= clock(); };
				after.port2.postMessage(null);
			});
		}).observe(document.getElementById("v-waste-in"), {childList: true, characterData: true, subtree: true});`))
	sent := map[string]float64{}
	last := ""
	for i := range *samples {
		v := 20 + float64(i)/10
		last = strconv.FormatFloat(v, 'f', 1, 64)
		at := time.Now()
		sent[last] = float64(at.UnixMicro()) / 1000
		n.publish(oneFrame("n1", greywatt.InstantOf(at), map[greywatt.Channel]float64{greywatt.WasteIn: v})[0])
		// A node's pace is a second; this is quicker, and at no multiple of any interval of ours.
		<-time.After(330 * time.Millisecond)
	}
	b.Await("the last value", fmt.Sprintf("window.painted[%q]", last))
	var took []float64
	for text, at := range browser.Eval[map[string]float64](b, "window.painted") {
		if from, ok := sent[text]; ok {
			took = append(took, at-from)
		}
	}
	slices.Sort(took)
	if len(took) < *samples*9/10 {
		t.Fatalf("%d of %d values were painted", len(took), *samples)
	}
	median, p95 := took[len(took)/2], took[len(took)*95/100]
	t.Logf("publish to pixel: median %.0f ms, 95th percentile %.0f ms, most %.0f ms, %d values", median, p95, took[len(took)-1], len(took))
	if took[0] <= 0 || median > float64(latencyWant.Milliseconds()) {
		t.Errorf("median %.0f ms, want less than %s", median, latencyWant)
	}
}
