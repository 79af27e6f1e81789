// Package browser drives Chromium for tests of the page: what it may not do is held
// against it, what a reader needs is audited. No program of ours imports it.
package browser

import (
	"context"
	_ "embed"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

var screenshots = flag.String("screenshots", "", "`DIR` to leave pictures of every page in")

//go:embed audit.js
var auditScript string

// A Tab is a tab of Chromium that holds what no page of ours may do: write
// an error to the console, or ask another host for anything.
type Tab struct {
	t    testing.TB
	ctx  context.Context
	base string

	mu      sync.Mutex
	errors  []string
	foreign []string
	ours    int
}

// Open starts Chromium with an empty profile. It can reach no host but this
// machine. Where there is no Chromium the test says that it did not run.
func Open(t testing.TB, base string) *Tab {
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
	b := &Tab{t: t, ctx: ctx, base: base}
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
			} else if !strings.HasPrefix(r.Request.URL, "data:") { // the browser's own pictures, which leave for nowhere
				b.foreign = append(b.foreign, r.Request.URL)
			}
			b.mu.Unlock()
		}
	})
	return b
}

// Forgive takes back console errors that a test means to cause.
func (b *Tab) Forgive(text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.errors = slices.DeleteFunc(b.errors, func(e string) bool { return strings.Contains(e, text) })
}

func (b *Tab) Do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

func (b *Tab) Open(path string) {
	b.t.Helper()
	b.Do(chromedp.Navigate(b.base + path))
}

func (b *Tab) Look(width int64, scheme string) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
	})
	if err != nil {
		b.t.Fatal(err)
	}
	b.Do(chromedp.EmulateViewport(width, 844))
}

// Eval returns the value of an expression.
func Eval[T any](b *Tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// Await waits until an expression of the page is true, whatever page it is by
// then.
func (b *Tab) Await(what, expression string) {
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
			b.t.Fatalf("waited in vain for %s; the page is\n%s", what, Eval[string](b, "document.body.innerText"))
		}
		return
	}
}

// Shot leaves a picture of the page where pictures are wanted.
func (b *Tab) Shot(name string) {
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

func (b *Tab) Audit(where string) {
	b.t.Helper()
	for _, wrong := range Eval[[]string](b, auditScript) {
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

// TabTo presses Tab until the button or link of that text has the focus.
func (b *Tab) TabTo(words string) {
	b.t.Helper()
	for range 60 {
		if Eval[string](b, `document.activeElement.textContent.trim()`) == words {
			return
		}
		b.Do(chromedp.KeyEvent(kb.Tab))
	}
	b.t.Fatalf("the keyboard does not reach %q", words)
}

// Fingers makes the screen one that is touched.
func (b *Tab) Fingers() {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true}); err != nil {
		b.t.Fatal(err)
	}
}

// Stroke draws with a finger over the element of a selector, through points that are
// fractions of its width and height.
func (b *Tab) Stroke(selector string, points ...[2]float64) {
	b.t.Helper()
	r := Eval[[]float64](b, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center", behavior: "instant"});
		const r = e.getBoundingClientRect(); return [r.left, r.top, r.width, r.height]; })()`, selector))
	touch := func(kind input.DispatchTouchEventType, at ...*input.TouchPoint) {
		b.t.Helper()
		if at == nil {
			at = []*input.TouchPoint{}
		}
		if _, err := chromedp.Call(b.ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: at}); err != nil {
			b.t.Fatal(err)
		}
	}
	for i, p := range points {
		kind := input.DispatchTouchEventTypeTouchMove
		if i == 0 {
			kind = input.DispatchTouchEventTypeTouchStart
		}
		touch(kind, &input.TouchPoint{X: r[0] + p[0]*r[2], Y: r[1] + p[1]*r[3]})
	}
	touch(input.DispatchTouchEventTypeTouchEnd)
}
