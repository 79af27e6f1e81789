package live

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"greywatt"
	"greywatt/analysis/event"
)

// An engineer's way on site, with a phone and with the keyboard alone: sign in, note
// a cleaning, follow the run, answer the handover, make the sheet. Every page on the
// way is audited, on the phone, dark too, and at 200 % zoom, which is half the width.
func TestOnSiteInTheBrowser(t *testing.T) {
	f, j, _ := fittedPage(t)
	f.cfg.StudyFile = &testStudyFile{}
	server := httptest.NewServer(f.Handler())
	t.Cleanup(server.Close)
	t.Cleanup(f.Page.stop)
	b := browse(t, server.URL)
	base := "/dwelling/" + f.d.ID
	b.look(390, "light")
	b.open(base + "/note?kind=cleaned")
	b.await("the sign-in", `document.getElementById("name")`)
	b.audit("sign in by name")
	b.shot("site-login")
	b.do(chromedp.SendKeys(chromedp.CSS("#name"), "kim"+kb.Tab+"the password of kim"+kb.Enter))
	b.await("the form", `location.pathname.endsWith("/note") && document.getElementById("text")`)
	b.audit("note")
	b.shot("site-note")

	// What was typed survives a reload; the form keeps its id.
	b.do(chromedp.SendKeys(chromedp.CSS("#text"), "much hair"))
	id := eval[string](b, `document.querySelector("[name=form]").value`)
	b.do(chromedp.Evaluate[chromedp.Void](`window.old = true; location.reload()`))
	b.await("the reload", `!window.old && document.getElementById("text")?.value === "much hair"`)
	if again := eval[string](b, `document.querySelector("[name=form]").value`); again != id {
		t.Errorf("after the reload the form has the id %s, want %s", again, id)
	}
	tabTo(b, "Note it")
	b.do(chromedp.KeyEvent(kb.Enter))
	b.await("word that it is noted", `/Noted, and on disk/.test(document.body?.innerText || "")`)
	b.audit("journal")
	b.shot("site-journal")
	if facts, err := j.Facts(); err != nil || len(facts) != 1 || facts[0].ID != id || facts[0].Text != "much hair" {
		t.Fatalf("journal: %v, %v", facts, err)
	}
	b.open(base + "/note?kind=cleaned")
	b.await("an empty form", `document.getElementById("text")?.value === ""`)

	// The run, followed while it goes on.
	b.open(base + "/run")
	b.await("the run", `/Start the shower/.test(document.getElementById("run")?.innerText || "")`)
	b.await("the stream", `document.getElementById("link").textContent === ""`)
	e := *f.d.past.Latest
	e.ID, e.SteadyS, e.Ratio, e.RatioU95, e.Flags = e.ID+"x", 125, 0.99, 0.03, []event.Flag{event.FlagOverlap}
	f.d.mu.Lock()
	f.d.past.Provisional = &e
	f.d.present.take(f.d.Dwelling, &greywatt.Reading{Node: f.d.present.latest[greywatt.Flow].node, Channel: greywatt.Flow, At: f.d.present.newest + 1e6, Value: 0.15})
	f.d.changed()
	f.d.mu.Unlock()
	b.await("the verdict", `/Pass/.test(document.getElementById("run").innerText) && /Another tap/.test(document.getElementById("run").innerText)`)
	b.audit("guided run")
	b.shot("site-run")
	f.d.mu.Lock()
	f.d.past.Provisional = nil
	f.d.mu.Unlock()

	// The handover, by the keyboard: Tab to each group, the first answer with Space.
	b.open(base + "/handover?showers=2")
	b.await("the handover", `document.querySelectorAll("fieldset.check").length === 12`)
	b.audit("handover")
	b.shot("site-handover")
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("input[type=radio]").focus()`))
	for i := range 12 {
		b.do(chromedp.KeyEvent(" "), chromedp.KeyEvent(kb.Tab))
		if i == 0 {
			b.do(chromedp.KeyEvent("as drawn"))
		}
		b.do(chromedp.KeyEvent(kb.Tab))
	}
	if n := eval[float64](b, `document.querySelectorAll("input[type=radio]:checked").length`); n != 12 {
		t.Errorf("%.0f of 12 checks are answered by the keyboard", n)
	}
	// A finger signs.
	b.do(chromedp.Evaluate[chromedp.Void](`(() => {
		const pad = document.querySelector("canvas.pad");
		pad.scrollIntoView();
		const r = pad.getBoundingClientRect();
		const at = (type, x, y) => pad.dispatchEvent(new PointerEvent(type, {pointerId: 1, isPrimary: true, bubbles: true, cancelable: true, clientX: r.left + x * r.width, clientY: r.top + y * r.height}));
		pad.setPointerCapture = () => {};
		at("pointerdown", 0.1, 0.5); at("pointermove", 0.4, 0.2); at("pointermove", 0.9, 0.8); at("pointerup", 0.9, 0.8);
	})()`))
	if strokes := eval[string](b, `document.querySelector("[name=engineer_strokes]").value`); !strings.HasPrefix(strokes, "100,") || strings.Count(strokes, ",") < 3 {
		t.Errorf("strokes %q", strokes)
	}
	tabTo(b, "Make the sheet")
	b.do(chromedp.KeyEvent(kb.Enter))
	b.await("word that the sheet is noted", `/commissioning sheet/.test(document.body?.innerText || "")`)
	if kept := f.sheets(f.d); len(kept) != 1 {
		t.Errorf("sheets kept: %v", kept)
	} else if got := eval[string](b, fmt.Sprintf(`fetch("%s/sheets/%s").then(r => r.text()).then(s => s.slice(0, 5))`, base, kept[0])); got != "%PDF-" {
		t.Errorf("the sheet begins with %q", got)
	}

	for name, path := range map[string]string{"zero": base + "/zero", "handover": base + "/handover", "journal": base + "/notes", "run": base + "/run", "note": base + "/note?kind=unit-replaced", "phone": "/phone", "clamps": base + "/clamps", "setup": "/setup?rated=7+0.62%0A9.5+0.57"} {
		for _, look := range []struct {
			width  int64
			scheme string
		}{{390, "dark"}, {195, "light"}, {1280, "light"}} {
			b.look(look.width, look.scheme)
			b.open(path)
			b.audit(fmt.Sprintf("%s, %d px, %s", name, look.width, look.scheme))
			b.shot(fmt.Sprintf("site-%s-%s-%d", name, look.scheme, look.width))
		}
	}
}

// tabTo presses Tab until the button of that text has the focus.
func tabTo(b *browser, words string) {
	b.t.Helper()
	for range 60 {
		if eval[string](b, `document.activeElement.textContent.trim()`) == words {
			return
		}
		b.do(chromedp.KeyEvent(kb.Tab))
	}
	b.t.Fatalf("the keyboard does not reach %q", words)
}
