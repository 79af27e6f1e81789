package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/browser"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/payload"
)

// A clock that the test moves: that of the newest reading.
type handClock struct{ at atomic.Int64 }

func (c *handClock) now() time.Time          { return greywatt.Instant(c.at.Load()).Time() }
func (c *handClock) set(at greywatt.Instant) { c.at.Store(int64(at)) }

// A bathroom is a unit with its node: what its four pipes and its meter do, a second
// at a time, as quickly as the logger takes it. Effectiveness, temperatures and flow
// are chosen here; the pipes follow with the time constant of a unit that warms up.
type bathroom struct {
	t     *testing.T
	node  *publish.Node
	clock *handClock
	rng   *rand.Rand
	at    greywatt.Instant
	pipe  [greywatt.NumPorts]float64 // °C
	off   [greywatt.NumPorts]float64 // error of each clamp, K
	held  int                        // the clamp in a hand; -1: none
}

const engineersPassword = "a password for the bathroom"

const (
	roomC     = 20.0
	showerC   = 38.0
	mainsC    = 10.0
	ratedHere = 0.57 // at 9.5 l/min, what the certificate says and the unit does
	flowLMin  = 9.5
	warmingS  = 12.0
)

// pass lets so many seconds pass, a reading each everyS, with a flow in l/min.
func (b *bathroom) pass(seconds, everyS int, flow float64) {
	b.t.Helper()
	to := [greywatt.NumPorts]float64{roomC, roomC, roomC, roomC}
	if flow > 0 {
		gained := ratedHere * (showerC - mainsC)
		to[greywatt.WasteIn], to[greywatt.WasteOut] = showerC, showerC-gained
		to[greywatt.ColdIn], to[greywatt.PreheatOut] = mainsC, mainsC+gained
	}
	for s := everyS; s <= seconds; s += everyS {
		b.at = b.at.Add(float64(everyS))
		f := greywatt.Frame{At: b.at, Node: b.node.Topic.Node}
		for c := range f.Value {
			f.Value[c] = math.NaN()
		}
		for c := range b.pipe {
			b.pipe[c] = to[c] + (b.pipe[c]-to[c])*math.Exp(-float64(everyS)/warmingS)
			warmth := 0.0
			if c == b.held {
				warmth = 9
			}
			f.Value[c] = math.Round(100*(b.pipe[c]+warmth+b.off[c]+b.rng.NormFloat64()*0.02)) / 100
		}
		f.Value[greywatt.Flow] = math.Round(1e4*flow/60) / 1e4
		b.node.Readings = framefile.AppendReadings(b.node.Readings, b.node.Topic.Dwelling, &f)
		if len(b.node.Readings) < 300 && s+everyS <= seconds {
			continue
		}
		b.clock.set(b.at)
		if err := b.node.Publish(); err != nil {
			b.t.Fatal(err)
		}
		for len(b.node.UnderWay) > 0 {
			if err := b.node.AwaitOldest(); err != nil {
				b.t.Fatal(err)
			}
		}
	}
}

// From an empty folder to a signed sheet, with a phone: run has no study yet; the
// node of a dwelling is heard; an engineer signs in, describes it, tells the clamps
// apart, takes an offset over, follows a shower to its verdict, answers the handover,
// signs with a finger and takes the sheet along. Then every page on that way is
// audited on the phone, dark too, at 200 % zoom, which is half the width, and on a
// desk.
func TestFromAnEmptyFolderToASignedSheet(t *testing.T) {
	dir := t.TempDir()
	study, users, data := filepath.Join(dir, "study.toml"), filepath.Join(dir, "users.txt"), filepath.Join(dir, "data")
	password := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(password, []byte(engineersPassword), 0o600); err != nil {
		t.Fatal(err)
	}
	invoke(t, cli.ExitDone, "users", "add", "kim", "--engineer", "--password-file", password, "--users", users)
	clock := &handClock{}
	clock.set(greywatt.InstantOf(time.Now().Truncate(time.Minute)))
	page, mqtt := startAt(t, clock, "--study", study, "--data", data, "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0", "--http-users", users)

	b := browser.Open(t, page)
	const id, path = "hazel-09", "/dwelling/hazel-09"
	node, err := publish.Connect(mqtt, payload.Topic{Dwelling: id, Node: "n1"}, payload.DefaultPrefix)
	if err != nil {
		t.Fatal(err)
	}
	defer node.Client.Disconnect(publish.DisconnectWait)
	bath := &bathroom{t: t, node: node, clock: clock, rng: rand.New(rand.NewPCG(1, 2)), at: greywatt.InstantOf(clock.now()), held: -1,
		pipe: [greywatt.NumPorts]float64{roomC, roomC, roomC, roomC}}
	bath.off[greywatt.PreheatOut] = 0.6
	bath.pass(60, 10, 0)

	says := func(words string) string {
		return fmt.Sprintf(`(document.body?.innerText || "").includes(%q)`, words)
	}
	send := func(words string) { // the button or link of that text, with the keyboard
		t.Helper()
		b.TabTo(words)
		b.Do(chromedp.KeyEvent(kb.Enter))
	}
	write := func(field, text string) {
		t.Helper()
		b.Do(chromedp.SendKeys(chromedp.CSS(field), text))
	}

	b.Look(390, "light")
	b.Fingers()
	b.Open("/")
	b.Await("the sign-in", `document.getElementById("name")`)
	b.Audit("sign in by name")
	b.Shot("way-1-login")
	write("#name", "kim"+kb.Tab+engineersPassword+kb.Enter)

	b.Await("the dwelling that is heard", says("Heard, not yet in the study"))
	b.Audit("overview of nothing")
	b.Shot("way-2-heard")
	send(id)
	b.Await("the form", `document.getElementById("id")?.value === "`+id+`"`)
	b.Do(chromedp.Evaluate[chromedp.Void](`document.querySelector("input[name=connection]").focus()`), chromedp.KeyEvent(" "))
	write("#rated", "7 0.62")
	b.Do(chromedp.KeyEvent(kb.Enter))
	write("#rated", "9,5 0.57")
	write("#serial", "S 17")
	write("#place", "cupboard below the bathroom")
	b.Audit("set up")
	b.Shot("way-3-setup")
	// What was typed survives a reload.
	b.Do(chromedp.Evaluate[chromedp.Void](`window.old = true; location.reload()`))
	b.Await("the reload", `!window.old && document.getElementById("serial")?.value === "S 17" && document.querySelector("input[name=connection]").checked`)
	send("Add it")
	b.Await("word that it is added", says(id+" is in the study file, on disk."))
	b.Await("the dwelling", fmt.Sprintf(`(await fetch(%q)).ok`, path))
	defer b.Forgive("404") // until the file was read again
	if text, err := os.ReadFile(study); err != nil || !strings.Contains(string(text), `serial = "S 17"`) {
		t.Fatalf("%v: the study file is\n%s", err, text)
	}

	// The clamp walk.
	bath.pass(60, 5, 0)
	b.Open(path + "/clamps")
	b.Await("the walk", says("Begin"))
	send("Begin")
	for c := range greywatt.NumPorts {
		b.Await("the question", says("in your hand, for half a minute."))
		bath.held = c
		bath.pass(30, 5, 0)
		if c > 0 {
			b.Do(chromedp.Evaluate[chromedp.Void](`location.reload()`))
		}
		b.Await("the answer", says("that clamp is right.")) // the first loads itself again
		if c == 0 {
			b.Shot("way-4-clamps")
		}
		bath.held = -1
		bath.pass(60, 5, 0)
		send("Next: let the clamp cool first")
	}
	b.Await("the end of the walk", says("Preheated: right"))
	send("Note it in the journal")
	b.Await("the note", `document.getElementById("text")?.value.includes("clamp walk: Waste in: right")`)
	send("Note it")
	b.Await("word that it is noted", says("Noted, and on disk."))

	// The zero check: three clamps agree, one is 0.6 K above them.
	bath.pass(25*60, 10, 0)
	b.Open(path + "/zero?way=together")
	b.Await("the check", says("Take this offset over"))
	b.Audit("zero check")
	b.Shot("way-5-zero")
	send("Take this offset over")
	b.Await("word that it is noted", says("Offset of a clamp, preheat out: +0.60 K"))
	b.Await("the page with that offset", fmt.Sprintf(`(await (await fetch("%s/zero?way=together")).text()).includes("nothing is to be changed")`, path))

	// The guided run.
	b.Open(path + "/run")
	b.Await("the run", says("Start the shower"))
	b.Await("the stream", `document.getElementById("link").textContent === ""`)
	b.Shot("way-6-run")
	bath.pass(40, 1, flowLMin)
	b.Await("water", `/Water runs|Settling|Steady/.test(document.getElementById("run").innerText) && document.getElementById("state").innerText === "Water runs"`)
	bath.pass(110, 1, flowLMin)
	b.Await("a steady part", `/Steady part\s+[1-9]\d+ s/.test(document.getElementById("run").innerText)`)
	bath.pass(240, 1, flowLMin)
	b.Await("the verdict", `/Pass/.test(document.getElementById("run").innerText)`)
	b.Audit("guided run")
	b.Shot("way-7-run")
	bath.pass(15*60, 10, 0)
	b.Await("the end of the shower", says("The shower is over"))
	send("Handover and sheet, by this run")

	// The handover, by the keyboard: Tab to each group, the first answer with Space.
	b.Await("the handover", `document.querySelectorAll("fieldset.check").length === 12`)
	if got := browser.Eval[string](b, `document.querySelector(".found h2").textContent + " " + document.getElementById("serial").value`); got != "Pass S 17" {
		t.Errorf("verdict and serial number are %q", got)
	}
	b.Audit("handover")
	b.Do(chromedp.Evaluate[chromedp.Void](`document.querySelector("input[type=radio]").focus()`))
	for i := range 12 {
		b.Do(chromedp.KeyEvent(" "), chromedp.KeyEvent(kb.Tab))
		if i == 0 {
			b.Do(chromedp.KeyEvent("as drawn"))
		}
		b.Do(chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.Tab)) // past the photo
	}
	if n := browser.Eval[float64](b, `document.querySelectorAll("input[type=radio]:checked").length`); n != 12 {
		t.Errorf("%.0f of 12 checks are answered by the keyboard", n)
	}
	// A photo, which the page makes small before it is sent.
	b.Do(chromedp.Evaluate[chromedp.Void](`(async () => {
		const canvas = document.createElement("canvas");
		[canvas.width, canvas.height] = [3000, 2000];
		const pen = canvas.getContext("2d");
		for (let i = 0; i < 300; i++) { pen.fillStyle = "hsl(" + i * 7 + " 60% 50%)"; pen.fillRect(i * 10, i * 3 % 1500, 700, 500); }
		const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.95));
		const files = new DataTransfer();
		files.items.add(new File([blob], "IMG_1.jpg", {type: "image/jpeg"}));
		const input = document.getElementById("photo-label");
		input.files = files.files;
		input.dataset.large = blob.size;
		input.dispatchEvent(new Event("change"));
	})()`))
	b.Await("the small photo", `document.getElementById("photo-label").dataset.small`)
	if sizes := browser.Eval[[]float64](b, `(d => [Number(d.large), Number(d.small), document.getElementById("photo-label").files[0].size])(document.getElementById("photo-label").dataset)`); sizes[1] > sizes[0]/2 || sizes[2] != sizes[1] {
		t.Errorf("a photo of %.0f bytes becomes %.0f, sent are %.0f", sizes[0], sizes[1], sizes[2])
	}
	write("#resident", "R. Ash")
	b.Stroke("canvas[data-for=engineer_strokes]", [2]float64{0.1, 0.6}, [2]float64{0.3, 0.2}, [2]float64{0.5, 0.8}, [2]float64{0.9, 0.3})
	b.Stroke("canvas[data-for=resident_strokes]", [2]float64{0.2, 0.5}, [2]float64{0.7, 0.4})
	if strokes := browser.Eval[string](b, `document.querySelector("[name=engineer_strokes]").value`); !strings.HasPrefix(strokes, "100,6") || strings.Count(strokes, ",") != 4 {
		t.Errorf("strokes %q", strokes)
	}
	b.Shot("way-8-handover")
	send("Make the sheet")
	b.Await("word that the sheet is noted", says("commissioning sheet"))
	b.Audit("journal")
	b.Shot("way-9-journal")

	// The sheet is kept, and can be taken along.
	b.Open(path + "/handover")
	b.Await("the sheet", `document.querySelector("#sheets-h")`)
	name := browser.Eval[string](b, `document.querySelector("#sheets-h ~ ul a").textContent`)
	kept, err := os.ReadFile(filepath.Join(dir, "study.sheets", name))
	if err != nil || !bytes.HasPrefix(kept, []byte("%PDF-")) {
		t.Fatalf("the sheet that is kept, %s: %v", name, err)
	}
	taken, err := base64.StdEncoding.DecodeString(browser.Eval[string](b, `fetch(document.querySelector("#sheets-h ~ ul a").href).then(r => r.bytes()).then(a => a.toBase64())`))
	if err != nil || !bytes.Equal(taken, kept) {
		t.Errorf("the sheet that is taken along has %d bytes, kept are %d: %v", len(taken), len(kept), err)
	}

	if pages := bytes.Count(kept, []byte("/Type /Page\n")); pages != 3 || !bytes.Contains(kept, []byte("/Subtype /Image")) {
		t.Errorf("the sheet has %d pages, want three, the last with the photo", pages)
	}

	// The command makes the same sheet from what the page kept, by the same showers.
	again := filepath.Join(t.TempDir(), "again.pdf")
	invoke(t, cli.ExitDone, "commission", id, "--study", study, "--data", data, "--kept", "--sheet", again)
	if made, err := os.ReadFile(again); err != nil || !bytes.Equal(made, kept) {
		t.Errorf("commission --kept --sheet makes %d bytes, kept are %d: %v", len(made), len(kept), err)
	}

	for page, path := range map[string]string{"zero": path + "/zero", "handover": path + "/handover", "journal": path + "/notes", "run": path + "/run", "note": path + "/note?kind=reconnected",
		"phone": "/phone", "clamps": path + "/clamps", "setup": "/setup?rated=7+0.62%0A9.5+0.57"} {
		for _, look := range []struct {
			width  int64
			scheme string
		}{{390, "dark"}, {195, "light"}, {1280, "light"}} {
			b.Look(look.width, look.scheme)
			b.Open(path)
			b.Audit(fmt.Sprintf("%s, %d px, %s", page, look.width, look.scheme))
			b.Shot(fmt.Sprintf("site-%s-%s-%d", page, look.scheme, look.width))
		}
	}
}

// startAt starts run with the test's clock, and returns where page and broker are.
func startAt(t *testing.T, clock *handClock, args ...string) (page, mqtt string) {
	t.Helper()
	o := &runOptions{page: logger.PageFlags{Version: programVersion()}, now: clock.now}
	flags := pflag.NewFlagSet("run", pflag.ContinueOnError)
	o.AddFlags(flags)
	if err := flags.Parse(args); err != nil {
		t.Fatal(err)
	}
	said, write := io.Pipe()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		err := o.Run(ctx, &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: write, Getenv: func(string) string { return "" }, Name: "greywatt"}, nil)
		write.Close()
		ended <- err
	}()
	broker := regexp.MustCompile(`msg=listening broker=(\S+)`)
	lines := bufio.NewScanner(said)
	var all []string
	for (page == "" || mqtt == "") && lines.Scan() {
		all = append(all, lines.Text())
		if m := pageURL.FindStringSubmatch(lines.Text()); m != nil {
			page = m[1]
		}
		if m := broker.FindStringSubmatch(lines.Text()); m != nil {
			mqtt = m[1]
		}
	}
	drained := make(chan struct{})
	go func() { defer close(drained); io.Copy(io.Discard, said) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != context.Canceled {
			t.Errorf("run ended with %v", err)
		}
		<-drained
	})
	if page == "" || mqtt == "" {
		t.Fatalf("it did not start:\n%s", strings.Join(all, "\n"))
	}
	return page, mqtt
}
