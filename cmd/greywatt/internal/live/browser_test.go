package live

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
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
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
			} else if !strings.HasPrefix(r.Request.URL, "data:") { // the browser's own pictures, which leave for nowhere
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
