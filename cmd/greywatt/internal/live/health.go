package live

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"greywatt/ingest/mqttsource"
)

// A Health answers whether a logger can do its work: 200, or 503 while it cannot
// store, or while its own broker does not answer. It names no dwelling and asks for
// no password. Each func may be nil.
type Health struct {
	Ingest  func() mqttsource.Status
	Link    func() Link
	Mirror  func() Mirror
	trouble string
}

func (h Health) ServeHTTP(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.Header().Set("Cache-Control", "no-store")
	status, text := http.StatusOK, "ok\n"
	if h.Ingest != nil {
		s := h.Ingest()
		if !s.FailingSince.IsZero() {
			status, text = http.StatusServiceUnavailable, "readings are not stored since "+s.FailingSince.UTC().Format(time.RFC3339)+"\n"
		}
		if !s.QuarantineFull.IsZero() { // the others' readings are stored
			text += "the quarantine is full since " + s.QuarantineFull.UTC().Format(time.RFC3339) + "\n"
		}
	}
	if h.Link != nil {
		switch l := h.Link(); {
		case l.Connected:
		case l.Clients >= 0 && status == http.StatusOK:
			status, text = http.StatusServiceUnavailable, "nodes cannot connect\n"
		default:
			text += "no connection to the broker\n"
		}
	}
	if h.Mirror != nil {
		if m := h.Mirror(); !m.FailingSince.IsZero() {
			text += "the mirror is not written since " + m.FailingSince.UTC().Format(time.RFC3339) + "\n"
		}
	}
	w.WriteHeader(status)
	fmt.Fprint(w, text+h.trouble)
}

// Limits of an address that answers nothing else: a question and its answer fit into
// one packet each.
const (
	mostAskers     = 64
	mostAskersEach = 16
	askTimeout     = 2 * time.Second
)

// Serve answers GET /healthz on l, and nothing else, until ctx ends. What happens to
// a page does not concern it. It closes l.
func (h Health) Serve(ctx context.Context, l net.Listener, log *slog.Logger) error {
	mux := http.NewServeMux()
	mux.Handle("GET /healthz", h)
	askers := newCrowd(l, mostAskers, mostAskersEach)
	server := &http.Server{
		Handler: mux, ReadTimeout: askTimeout, WriteTimeout: askTimeout, IdleTimeout: askTimeout, MaxHeaderBytes: mostHeader,
		ConnState: askers.note, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	defer context.AfterFunc(ctx, func() { server.Close() })()
	if err := server.Serve(askers); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("health: %w", err)
	}
	return nil
}
