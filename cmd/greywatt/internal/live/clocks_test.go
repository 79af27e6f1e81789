package live

import (
	"context"
	"errors"
	"strings"
	"testing"
)

// Wrong clocks are named on every page, at their dwelling and in /metrics, until
// they are right.
func TestWrongClocks(t *testing.T) {
	f := newFullPage(t, 1)
	d := f.dwellings[0]
	here := dwellingPath(d.ID)
	count := func() string {
		_, after, _ := strings.Cut(f.get("/metrics").Body.String(), "\ngreywatt_clocks_wrong ")
		n, _, _ := strings.Cut(after, "\n")
		return n
	}
	if count() != "" || strings.Contains(f.page(t, here, 200), "clock") {
		t.Error("clocks are spoken of where nothing is known of them")
	}
	var clocks Clocks
	var trouble error
	f.cfg.Clocks = func(context.Context) (Clocks, error) { return clocks, trouble }
	look := func(own bool, wrong ...WrongClock) {
		clocks = Clocks{Wrong: wrong, Own: own}
		f.lookAtClocks(t.Context())
	}
	look(false)
	if count() != "0" || strings.Contains(f.page(t, here, 200), "clock") {
		t.Errorf("%s clocks are wrong where none is", count())
	}
	version := d.version
	fast := WrongClock{d.ID, "n1", "is 1 h ahead"}
	look(false, fast)
	if d.version == version {
		t.Error("those who look are not told")
	}
	has(t, f.page(t, here, 200), "The clock is wrong at "+d.ID+"/n1", "The clock of n1 is 1 h ahead. What it stamped stands at wrong times.")
	has(t, f.page(t, "/rejected", 200), "The clock is wrong at")
	version = d.version
	look(false, fast)
	if d.version != version {
		t.Error("the same again is no news")
	}
	look(false, fast, fast, fast, fast, fast)
	has(t, f.page(t, "/", 200), "The clocks are wrong at", "and 2 more nodes, and so")
	if count() != "5" {
		t.Errorf("%s in /metrics, want 5", count())
	}
	look(true, fast, fast, fast)
	has(t, f.page(t, "/", 200), "is it this machine&#39;s clock")
	look(false, WrongClock{d.ID, "n2", "is 1 h ahead: local time in place of UTC?"})
	has(t, f.page(t, here, 200), "in place of UTC? What it stamped")
	look(true, fast, fast, fast)
	trouble = errors.New("no disk")
	look(false)
	has(t, f.page(t, "/", 200), "is it this machine&#39;s clock") // what was last known
	trouble = nil
	look(false)
	if strings.Contains(f.page(t, here, 200), "clock") {
		t.Error("a clock set right is still called wrong")
	}
}
