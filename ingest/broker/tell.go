package broker

import (
	"log/slog"
	"strings"
	"sync"
	"time"
)

// What a stranger sends can cause any number of log lines, with texts of any
// length. A teller cuts the texts, and of each kind of line writes a few at once
// and then one in a while, with how many were left out.
type teller struct {
	log *slog.Logger
	now func() time.Time

	mu    sync.Mutex
	kinds map[string]*lines
	left  int64 // lines left out, ever
}

type lines struct {
	may  float64
	at   time.Time
	left int
}

const (
	lineBurst = 20
	lineEvery = 10 * time.Second
	maxQuoted = 64 // bytes of a text that a client sent
)

func newTeller(log *slog.Logger) *teller {
	return &teller{log: log, now: time.Now, kinds: make(map[string]*lines)}
}

// warn writes a line of the kind that msg is.
func (t *teller) warn(msg string, args ...any) {
	now := t.now()
	t.mu.Lock()
	k := t.kinds[msg]
	if k == nil {
		k = &lines{may: lineBurst, at: now}
		t.kinds[msg] = k
	}
	k.may = min(lineBurst, k.may+now.Sub(k.at).Seconds()/lineEvery.Seconds())
	k.at = now
	if k.may < 1 {
		k.left++
		t.left++
		t.mu.Unlock()
		return
	}
	k.may--
	left := k.left
	k.left = 0
	t.mu.Unlock()
	for i, a := range args {
		if s, ok := a.(string); ok && i%2 == 1 {
			args[i] = quoted(s)
		}
	}
	if left > 0 {
		args = append(args, "lines_like_it_left_out", left)
	}
	t.log.Warn(msg, args...)
}

func (t *teller) leftOut() int64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.left
}

// quoted cuts a text that a client sent.
func quoted(s string) string {
	if len(s) <= maxQuoted {
		return s
	}
	return strings.ToValidUTF8(s[:maxQuoted], "") + "…"
}
