package live

import (
	"context"
	"encoding/csv"
	"flag"
	"fmt"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"net/http"
	"net/http/httptest"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	_ "embed"

	"greywatt"
	"greywatt/analysis"
	"greywatt/cmd/greywatt/internal/dataset"
)

var screenshots = flag.String("screenshots", "", "`DIR` to leave pictures of every page in")

//go:embed testdata/audit.js
var auditScript string

// A browser is a tab of Chromium that holds what no page of ours may do: write
// an error to the console, or ask another host for anything.
type browser struct {
	t    testing.TB
	ctx  context.Context
	base string

	mu      sync.Mutex
	errors  []string
	foreign []string
	ours    int
}

// browse starts Chromium with an empty profile. It can reach no host but this
// machine. Where there is no Chromium the test says that it did not run.
func browse(t testing.TB, base string) *browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("DID NOT RUN: this test wants Debian's chromium on the PATH (apt-get install chromium); the page was not seen in a browser")
	}
	allocated, cancelAllocated := chromedp.NewExecAllocator(context.Background(),
		chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()),
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"))
	ctx, cancel := chromedp.NewContext(allocated)
	ctx, cancelTime := context.WithTimeout(ctx, 3*time.Minute)
	b := &browser{t: t, ctx: ctx, base: base}
	var listening sync.WaitGroup
	t.Cleanup(func() {
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("closing the browser: %v", err)
		}
		cancelTime()
		cancel()
		cancelAllocated()
		listening.Wait()
		b.mu.Lock()
		defer b.mu.Unlock()
		for _, e := range b.errors {
			t.Errorf("on the console: %s", e)
		}
		for _, f := range b.foreign {
			t.Errorf("a request leaves for %s", f)
		}
		if b.ours == 0 {
			t.Error("no request was seen at all: the test does not look where it should")
		}
	})
	messages := chromedp.Console(ctx)
	requests := chromedp.Events(ctx, network.RequestWillBeSent)
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	listening.Go(func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			if m.Type != "log" && m.Type != "debug" && m.Type != "info" {
				b.mu.Lock()
				b.errors = append(b.errors, fmt.Sprintf("%s: %s %s", m.Type, m.Text, m.URL))
				b.mu.Unlock()
			}
		}
	})
	listening.Go(func() {
		for r, err := range requests {
			if err != nil {
				return
			}
			b.mu.Lock()
			if strings.HasPrefix(r.Request.URL, b.base+"/") {
				b.ours++
			} else {
				b.foreign = append(b.foreign, r.Request.URL)
			}
			b.mu.Unlock()
		}
	})
	return b
}

// forgive takes back console errors that a test means to cause.
func (b *browser) forgive(text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.errors = slices.DeleteFunc(b.errors, func(e string) bool { return strings.Contains(e, text) })
}

func (b *browser) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

func (b *browser) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.base + path))
}

func (b *browser) look(width int64, scheme string) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
	})
	if err != nil {
		b.t.Fatal(err)
	}
	b.do(chromedp.EmulateViewport(width, 844))
}

// eval returns the value of an expression.
func eval[T any](b *browser, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// await waits until an expression of the page is true, whatever page it is by
// then.
func (b *browser) await(what, expression string) {
	b.t.Helper()
	const script = `(async () => {
		for (const end = Date.now() + 45000; Date.now() < end; await new Promise(r => setTimeout(r, 25))) if (%s) return true;
		return false;
	})()`
	for {
		ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](fmt.Sprintf(script, expression), chromedp.EvalAwaitPromise))
		switch {
		case err != nil && strings.Contains(err.Error(), "navigated"):
			continue // another page has come
		case err != nil:
			b.t.Fatalf("%s: %v", expression, err)
		case !ok:
			b.t.Fatalf("waited in vain for %s; the page is\n%s", what, eval[string](b, "document.body.innerText"))
		}
		return
	}
}

// shot leaves a picture of the page where pictures are wanted.
func (b *browser) shot(name string) {
	b.t.Helper()
	if *screenshots == "" {
		return
	}
	picture, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*screenshots, name+".png"), picture, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// aShower returns a study with one dwelling, its readings, moved so that a
// shower begins now, and where in them it begins and has long been over.
func aShower(t testing.TB) (study *greywatt.Study, frames []greywatt.Frame, begin, over int, now greywatt.Instant) {
	t.Helper()
	study, simulated := house(t, 3)
	events, _ := batch(study, simulated)
	alone := func(i int) bool { // nothing before or after it for a while
		return i > 4 && i+1 < len(events) && events[i].Start.Sub(events[i-1].End) > 400 && events[i+1].Start.Sub(events[i].End) > 500
	}
	i := 1 + slices.IndexFunc(events, func(e analysis.Event) bool { return finite(e.Effectiveness) }) // one before it
	for i < len(events) && !(events[i].Kind == analysis.Shower && finite(events[i].Effectiveness) && events[i].DurationS < 620 && alone(i)) {
		i++
	}
	if i == len(events) {
		t.Fatal("no shower of less than ten minutes that stands alone in the simulated days")
	}
	// To the second, so that the shift does not change how times are written.
	now = greywatt.InstantOf(time.Now().Truncate(time.Second))
	shift := now - events[i].Start
	shift -= shift % 1e6
	for _, f := range simulated {
		f.At += shift
		frames = append(frames, f)
	}
	find := func(at greywatt.Instant) int {
		n, _ := slices.BinarySearchFunc(frames, at, func(f greywatt.Frame, at greywatt.Instant) int { return int(f.At - at) })
		return n
	}
	study.Dwellings[0].Commissioned = greywatt.Date{}
	return study, frames, find(events[i].Start + shift - 20e6), find(events[i].End + shift + 450e6), now
}

// showerPace is how much faster than the clock the test's shower runs.
const showerPace = 60

// A shower published over MQTT appears on the page while it runs, its figures
// so far and then the event, without the page being loaded again; and the
// event's page has the figures that the export has.
func TestShowerAppears(t *testing.T) {
	study, frames, begin, over, _ := aShower(t)
	s := newSite(t, study, true, frames[:begin]...)
	d := study.Dwellings[0].ID
	b := browse(t, s.url)
	nodes := map[string]*testNode{}
	for _, f := range frames[begin:over] {
		if nodes[f.Node] == nil {
			nodes[f.Node] = s.node(t, d, f.Node)
		}
	}
	b.look(1280, "light")
	b.open("/dwelling/" + d)
	b.await("the history", `document.querySelector("#events tbody tr") && document.querySelector(".found")`)
	rows := eval[int](b, `document.querySelectorAll("#events tbody tr").length`)
	first := eval[string](b, `document.querySelector("#events tbody a").getAttribute("href")`)
	b.do(chromedp.Evaluate[chromedp.Void](`window.notLoadedAgain = true`))
	if eval[bool](b, `Boolean(document.querySelector(".sofar"))`) {
		t.Error("figures so far before any water runs")
	}

	published := make(chan struct{})
	go func() {
		defer close(published)
		start, from := time.Now(), frames[begin].At
		for _, f := range frames[begin:over] {
			due := time.Duration(f.At.Sub(from) / showerPace * 1e9)
			if wait := due - time.Since(start); wait > 0 {
				<-time.After(wait)
			}
			nodes[f.Node].publish(f)
		}
	}()
	b.await("the water", `document.getElementById("state").textContent === "Water runs"`)
	b.await("the arrows", `document.getElementById("unit").classList.contains("flows")`)
	b.await("figures so far", `/This shower\s+so far/.test(document.querySelector(".sofar")?.innerText || "")`)
	b.await("the effectiveness so far", `/Effectiveness so far\s+0\.\d+ ± 0\.\d+/.test(document.querySelector(".sofar")?.innerText || "")`)
	b.shot("shower-light-1280")
	b.look(390, "dark")
	b.await("the drawing", `document.querySelectorAll("#strip path.series").length === 5 && document.querySelector("#strip path.s0").getAttribute("d").length > 100`)
	b.shot("shower-dark-390")
	b.await("the water to stop", `document.getElementById("state").textContent === "Up" && /stopped/.test(document.querySelector(".sofar")?.innerText || "")`)
	b.await("the event", `document.querySelector("#events tbody a").getAttribute("href") !== `+strconv.Quote(first))
	b.await("the end of the figures so far", `!document.querySelector(".sofar")`)
	if !eval[bool](b, `window.notLoadedAgain === true`) {
		t.Error("the page was loaded again")
	}
	if got := eval[int](b, `document.querySelectorAll("#events tbody tr").length`); got != min(rows+1, lastShowers) {
		t.Errorf("%d showers listed after %d", got, rows)
	}
	<-published

	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("#events tbody a").click()`))
	b.await("the event's page", `document.getElementById("effectiveness") && document.images.length && document.images[0].complete`)
	b.shot("event-dark-390")
	id := strings.TrimPrefix(eval[string](b, "location.pathname"), "/event/")
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
	p := dataset.New(study, "test")
	p.Add(events, diagnosis)
	dir := t.TempDir()
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
func compare(t testing.TB, b *browser, row map[string]string) {
	t.Helper()
	n := 0
	for _, column := range []string{"effectiveness", "expected", "ratio", "heat_kwh", "volume_l", "flow_l_min",
		"waste_in_c", "waste_out_c", "cold_in_c", "preheat_out_c", "waste_flow_l_min", "balance"} {
		shown := eval[string](b, fmt.Sprintf(`document.getElementById(%q)?.textContent || ""`, column))
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

// TestPublishToPixel measures, with the clock that node and browser share, from
// the node's publish to the frame in which the browser has painted the value.
func TestPublishToPixel(t *testing.T) {
	study := twoDwellings()
	s := newSite(t, study, true)
	b := browse(t, s.url)
	n := s.node(t, "larch-05", "n1")
	n.history(oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.WasteIn: 10}))
	b.open("/dwelling/larch-05")
	b.await("the stream", `document.getElementById("v-waste-in").textContent === "10.0"`)
	// A message from a channel comes after the frame is painted that the
	// animation callback prepared.
	b.do(chromedp.Evaluate[chromedp.Void](`
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
	const samples = 40
	sent := map[string]float64{}
	last := ""
	for i := range samples {
		v := 20 + float64(i)/10
		last = strconv.FormatFloat(v, 'f', 1, 64)
		at := time.Now()
		sent[last] = float64(at.UnixMicro()) / 1000
		n.publish(oneFrame("n1", greywatt.InstantOf(at), map[greywatt.Channel]float64{greywatt.WasteIn: v})[0])
		// A node's pace is a second; this is quicker, and at no multiple of any interval of ours.
		<-time.After(330 * time.Millisecond)
	}
	b.await("the last value", fmt.Sprintf("window.painted[%q]", last))
	var took []float64
	for text, at := range eval[map[string]float64](b, "window.painted") {
		if from, ok := sent[text]; ok {
			took = append(took, at-from)
		}
	}
	slices.Sort(took)
	if len(took) < samples*9/10 {
		t.Fatalf("%d of %d values were painted", len(took), samples)
	}
	median, p95 := took[len(took)/2], took[len(took)*95/100]
	t.Logf("publish to pixel: median %.0f ms, 95th percentile %.0f ms, most %.0f ms, %d values", median, p95, took[len(took)-1], len(took))
	if took[0] <= 0 || median > float64(latencyWant.Milliseconds()) {
		t.Errorf("median %.0f ms, want less than %s", median, latencyWant)
	}
}

// Every page, on a phone and on a desk, light and dark, can be read and used:
// contrast, names, headings, targets, nothing wider than the window.
func TestPagesCanBeUsed(t *testing.T) {
	f := newFullPage(t, 5)
	f.d.soFar = f.d.past.latestRatio()
	server := httptest.NewServer(f.Handler())
	t.Cleanup(server.Close)
	if err := f.store.SetAside(t.Context(), []greywatt.Refusal{{
		Source: "greywatt/larch-05/n1/senml", Dwelling: "larch-05", Reason: greywatt.BadUnit, Detail: `unit "F", want Cel or K`,
		Record: strings.Repeat(`{"n":"waste-in","u":"F","v":98}`, 20), At: greywatt.InstantOf(f.Page.clock().now),
	}}); err != nil {
		t.Fatal(err)
	}
	f.d.past.diagnosis.Findings = []analysis.Finding{
		{Code: analysis.StepLoss, Since: f.d.past.events[0].Start, Confidence: 0.97, Evidence: "conductance fell by 21 %", Advice: "Ask what happened that day. Work on drinking-water pipe and heater is for licensed people, by local codes."},
		{Code: analysis.Undecided, Evidence: "3 showers"},
	}
	f.d.past.late = true
	f.link = Link{Where: "tls://broker.example:8883", Trouble: "connection refused"}
	b := browse(t, server.URL)
	other := f.d.past.events[slices.IndexFunc(f.d.past.events, func(e analysis.Event) bool { return e.Kind == analysis.OtherDraw })]
	for name, path := range map[string]string{
		"overview": "/", "dwelling": "/dwelling/" + f.d.ID, "dwelling-empty": "/dwelling/larch-05", "events": "/dwelling/" + f.d.ID + "/events",
		"event": "/event/" + f.d.past.latestRatio().ID, "event-other": "/event/" + other.ID, "aside": "/set-aside", "problem": "/nowhere",
	} {
		for _, width := range []int64{390, 1280} {
			for _, scheme := range []string{"light", "dark"} {
				b.look(width, scheme)
				b.open(path)
				if name == "dwelling" {
					b.await("the drawing", `document.querySelector("#strip path.series")`)
				}
				b.audit(fmt.Sprintf("%s, %d px, %s", name, width, scheme))
				b.shot(fmt.Sprintf("%s-%s-%d", name, scheme, width))
			}
		}
	}
	b.forgive("404") // the page that is not there
}

func (b *browser) audit(where string) {
	b.t.Helper()
	for _, wrong := range eval[[]string](b, auditScript) {
		b.t.Errorf("%s: %s", where, wrong)
	}
	// What the browser itself tells a screen reader.
	tree, err := chromedp.Call(b.ctx, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	if err != nil {
		b.t.Fatal(err)
	}
	named := 0
	for _, n := range tree.Nodes {
		if n.Ignored || n.Role == nil {
			continue
		}
		switch role := text(n.Role); role {
		case "link", "button", "textbox", "image", "heading", "table", "region", "columnheader", "rowheader", "navigation", "RootWebArea", "figure":
			named++
			if strings.TrimSpace(text(n.Name)) == "" {
				b.t.Errorf("%s: a %s without a name", where, role)
			}
		}
	}
	if named < 5 {
		b.t.Errorf("%s: only %d things with names", where, named)
	}
}

func text(v *accessibility.Value) string {
	if v == nil {
		return ""
	}
	s, err := strconv.Unquote(string(v.Value))
	if err != nil {
		return string(v.Value)
	}
	return s
}

// With the keyboard alone: the first stop leads past the head of the page, each
// stop shows where it is, and a dwelling is reached.
func TestKeyboard(t *testing.T) {
	f := newFullPage(t, 2)
	server := httptest.NewServer(f.Handler())
	t.Cleanup(server.Close)
	b := browse(t, server.URL)
	b.look(1280, "light")
	b.open("/")
	var stops []string
	for range 12 {
		b.do(chromedp.KeyEvent(kb.Tab))
		stop := eval[string](b, `document.activeElement.textContent.trim()`)
		stops = append(stops, stop)
		if width := eval[string](b, `getComputedStyle(document.activeElement).outlineWidth`); width == "0px" {
			t.Errorf("%q does not show that it has the focus", stop)
		}
		if stop == f.d.ID {
			break
		}
	}
	if stops[0] != "Skip to the content" || !slices.Contains(stops, f.d.ID) {
		t.Errorf("stops %q", stops)
	}
	b.do(chromedp.KeyEvent(kb.Enter))
	b.await("the dwelling's page", `location.pathname.startsWith("/dwelling/")`)
}

// When the logger goes away the page says so, and when it comes back, started
// anew, the page goes on without being loaded.
func TestReconnect(t *testing.T) {
	log := openStore(t)
	commit(t, log, "larch-04", oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.WasteIn: 20}))
	start := func() *Page {
		p := New(Config{Study: twoDwellings(), Log: log, Aside: log})
		p.look(t.Context())
		p.post()
		return p
	}
	var page atomic.Pointer[http.Handler]
	use := func(p *Page) { h := p.Handler(); page.Store(&h) }
	p := start()
	use(p)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { (*page.Load()).ServeHTTP(w, r) }))
	t.Cleanup(server.Close)
	b := browse(t, server.URL)
	b.open("/")
	b.await("the stream", `document.getElementById("link").textContent === ""`)
	b.do(chromedp.Evaluate[chromedp.Void](`window.notLoadedAgain = true`))
	p.stop()
	b.await("word that the connection is lost", `document.querySelector(".link.off")?.textContent.includes("lost") && document.body.classList.contains("old")`)
	b.shot("lost")
	commit(t, log, "larch-05", oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.WasteIn: 20}))
	again := start()
	use(again)
	t.Cleanup(again.stop)
	b.await("the connection", `!document.querySelector(".link.off") && !document.body.classList.contains("old")`)
	b.await("the reading", `/Up/.test(document.getElementById("row-larch-05").innerText)`)
	if !eval[bool](b, `window.notLoadedAgain === true`) {
		t.Error("the page was loaded again")
	}
}

// The first reading of a study takes the place of the words that nothing came.
func TestFirstReading(t *testing.T) {
	s := newSite(t, twoDwellings(), true)
	b := browse(t, s.url)
	b.open("/")
	b.await("the words for it", `/Nothing has come in yet/.test(document.body?.innerText || "")`)
	b.audit("nothing yet")
	b.shot("overview-nothing")
	n := s.node(t, "larch-05", "n1")
	n.history(oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.WasteIn: 20}))
	b.await("the reading", `!/Nothing has come/.test(document.body?.innerText || "Nothing has come") && /Up/.test(document.getElementById("row-larch-05")?.innerText || "")`)
}

// Signing in and out in the browser; the session's cookie is out of the reach of
// scripts.
func TestSignInInTheBrowser(t *testing.T) {
	p := guardedPage(t, &testClock{time.Now()})
	server := httptest.NewServer(p.Handler())
	t.Cleanup(server.Close)
	t.Cleanup(p.stop)
	b := browse(t, server.URL)
	for _, width := range []int64{390, 1280} {
		for _, scheme := range []string{"light", "dark"} {
			b.look(width, scheme)
			b.open("/dwelling/larch-04")
			b.await("the form", `document.getElementById("password")`)
			b.audit(fmt.Sprintf("sign in, %d px, %s", width, scheme))
			b.shot(fmt.Sprintf("login-%s-%d", scheme, width))
		}
	}
	give := func(word string) {
		t.Helper()
		b.do(chromedp.SendKeys(chromedp.CSS("#password"), word+kb.Enter))
	}
	give("not the password")
	b.await("word that it is wrong", `document.querySelector("[role=alert]")?.textContent === "That is not the password."`)
	b.audit("wrong password")
	give(password)
	b.await("the dwelling", `document.querySelector("h1").textContent === "larch-04" && location.pathname === "/dwelling/larch-04"`)
	if cookies := eval[string](b, "document.cookie"); cookies != "" {
		t.Errorf("scripts can read %q", cookies)
	}
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("nav button").click()`))
	b.await("the form again", `document.getElementById("password") && location.pathname === "/login"`)
	b.forgive("401") // the wrong password
	if u, err := url.Parse(server.URL); err != nil || u.Hostname() != "127.0.0.1" {
		t.Errorf("server at %s", server.URL)
	}
}
