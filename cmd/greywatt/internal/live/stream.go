package live

import (
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"greywatt"
)

const (
	// pushEvery is the least time between two messages to a viewer; what comes
	// in between goes together. It is longer while readings pour in: nobody can
	// read a catching-up, and the processor is the logger's.
	pushEvery     = 250 * time.Millisecond
	busyPushEvery = 5 * time.Second
	// beatEvery is after how long without news a message is sent all the same,
	// so that both sides know the other is there, and times grow older.
	beatEvery = 10 * time.Second
	// reconnectMS is how long a browser waits before it connects again.
	reconnectMS = "2000"
)

// A message is what has changed: the text of elements and the inside of others,
// by their id, and new points of the drawing.
type message struct {
	Text  map[string]string `json:"t,omitempty"`
	HTML  map[string]string `json:"h,omitempty"`
	Row   map[string]string `json:"r,omitempty"` // elements that are replaced whole
	Strip *strip            `json:"s,omitempty"`
}

func (m *message) empty() bool {
	return m.Text == nil && m.HTML == nil && m.Row == nil && m.Strip == nil
}

// A strip is what is new in the drawing.
type strip struct {
	Base   int64         `json:"base"` // ms since 1970 that the points' times count from
	Edge   int64         `json:"edge"` // tenths of a second from there to the newest reading
	Points [drawn]points `json:"p"`
}

// points are sent as time, value, time, value: tenths of a second since the
// base, and °C or l/min.
type points struct {
	base greywatt.Instant
	of   []point
}

func (ps points) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, p := range ps.of {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendInt(b, int64(p.at-ps.base)/100_000, 10)
		b = append(b, ',')
		b = strconv.AppendFloat(b, float64(p.v), 'f', 2, 64)
	}
	return append(b, ']'), nil
}

// A source is what a viewer follows: news is sent to when next has something.
type source struct {
	news  <-chan struct{}
	next  func() message
	leave func()
	every time.Duration // least time between messages
}

// stream serves server-sent events from what open returns.
func (p *Page) stream(open func(r *http.Request) (source, error)) http.Handler {
	return p.plain(func(w http.ResponseWriter, r *http.Request) error {
		if !p.access.allowed(r) {
			return &problem{http.StatusUnauthorized, "Sign in first", "The session has ended."}
		}
		select {
		case p.viewerSlots <- struct{}{}:
			defer func() { <-p.viewerSlots }()
		default:
			w.Header().Set("Retry-After", "30")
			return &problem{http.StatusServiceUnavailable, "Too many viewers", "Reload the page to see how things stand."}
		}
		if r.Method == http.MethodHead { // a page asks why its stream ended
			return nil
		}
		s, err := open(r)
		if err != nil {
			return err
		}
		defer s.leave()
		h := w.Header()
		h.Set("Content-Type", "text/event-stream")
		h.Set("X-Accel-Buffering", "no")
		p.send(r.Context(), w, r, s)
		return nil
	})
}

// send writes messages until the viewer, the page or the session ends.
func (p *Page) send(ctx context.Context, w http.ResponseWriter, r *http.Request, s source) {
	control := http.NewResponseController(w)
	control.SetReadDeadline(time.Time{})
	write := func(text []byte) bool {
		control.SetWriteDeadline(time.Now().Add(writeTimeout))
		_, err := w.Write(text)
		return err == nil && control.Flush() == nil
	}
	if !write([]byte("retry: " + reconnectMS + "\n\n")) {
		return
	}
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	pause := time.NewTimer(0)
	defer pause.Stop()
	resting, due, quiet := true, true, false // the timer runs, there is news, it is but the beat
	for {
		if due && !resting {
			m := s.next()
			if !m.empty() || quiet {
				text, err := json.Marshal(&m)
				if err != nil {
					p.cfg.Logger.Error("a message to the page could not be made", "error", err)
					return
				}
				if !write(append(append([]byte("data: "), text...), "\n\n"...)) {
					return
				}
				beat.Reset(beatEvery)
			}
			due, quiet, resting = false, false, true
			every := s.every
			if p.Busy() {
				every = max(every, busyPushEvery)
			}
			pause.Reset(every)
		}
		select {
		case <-s.news:
			due = true
		case <-pause.C:
			resting = false
		case <-beat.C:
			if !p.access.allowed(r) {
				return
			}
			due, quiet = true, true
		case <-ctx.Done():
			return
		case <-p.stopped.Done():
			return
		}
	}
}
