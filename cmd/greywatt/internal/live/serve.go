package live

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"github.com/klauspost/compress/gzhttp"
)

// DefaultAddr is where the page is unless told otherwise.
const DefaultAddr = "127.0.0.1:8080"

// Limits of the server. Each is this project's choice: generous for people with
// browsers, finite for everything else.
const (
	mostConnections = 512
	mostEach        = 256 // of one address that is not this machine
	headerTimeout   = 5 * time.Second
	readTimeout     = 10 * time.Second
	answerTimeout   = 30 * time.Second // to write an answer, and for what it takes to make it
	writeTimeout    = 10 * time.Second // for each piece of a stream
	idleTimeout     = 2 * time.Minute
	mostHeader      = 16 << 10
	mostForm        = 64 << 10
	mostUpload      = 48 << 20        // of an engineer's photos
	uploadTimeout   = 5 * time.Minute // for them, on a poor link
	endTimeout      = 5 * time.Second
)

// Serve answers on l until ctx ends, with TLS where tls is not nil. It closes l.
func (p *Page) Serve(ctx context.Context, l net.Listener, tls *tls.Config) error {
	server := &http.Server{
		Handler:           p.Handler(),
		ReadHeaderTimeout: headerTimeout,
		ReadTimeout:       readTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    mostHeader,
		TLSConfig:         tls,
		ErrorLog:          slog.NewLogLogger(p.cfg.Logger.Handler(), slog.LevelDebug),
	}
	visitors := newCrowd(l, mostConnections, mostEach)
	l, server.ConnState = visitors, visitors.note
	done := make(chan error, 1)
	go func() {
		if tls != nil {
			done <- server.ServeTLS(l, "", "")
		} else {
			done <- server.Serve(l)
		}
	}()
	select {
	case err := <-done:
		return fmt.Errorf("page: %w", err)
	case <-ctx.Done():
	}
	p.Newest().stop() // streams would keep the server waiting
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), endTimeout)
	defer cancel()
	if err := server.Shutdown(end); err != nil {
		server.Close()
	}
	<-done
	return nil
}

// Handler returns the handler of the newest page of the study; see [Page.Renew].
func (p *Page) Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { p.Newest().handler.ServeHTTP(w, r) })
}

func (p *Page) newHandler() http.Handler {
	mux := http.NewServeMux()
	packed, err := gzhttp.NewWrapper(gzhttp.MinSize(1024))
	if err != nil {
		panic(fmt.Sprintf("live: %v", err)) // the options above are right
	}
	// What is seen by those who may, made at once and packed.
	for pattern, page := range map[string]func(http.ResponseWriter, *http.Request) error{
		"GET /{$}":                         p.overview,
		"GET /dwelling/{id}":               p.dwelling,
		"GET /dwelling/{id}/events":        p.allEvents,
		"GET /dwelling/{id}/trend.svg":     p.trendChart,
		"GET /dwelling/{id}/spark.svg":     p.spark,
		"GET /dwelling/{id}/alarms":        p.allAlarms,
		"GET /dwelling/{id}/events.csv":    p.eventsCSV,
		"GET /dwelling/{id}/trend.csv":     p.trendCSV,
		"GET /event/{id}":                  p.event,
		"GET /event/{id}/event.csv":        p.eventCSV,
		"GET /event/{id}/series.csv":       p.seriesCSV,
		"GET /event/{id}/chart.pdf":        p.eventPDF,
		"GET /study":                       p.study,
		"GET /study/distribution.svg":      p.distribution,
		"GET /event/{id}/chart.svg":        p.eventChart,
		"GET /rejected":                    p.rejected,
		"GET /dwelling/{id}/zero":          p.zero,
		"POST /dwelling/{id}/zero":         p.takeOffsets,
		"GET /dwelling/{id}/notes":         p.notes,
		"GET /dwelling/{id}/note":          p.noteForm,
		"POST /dwelling/{id}/note":         p.note,
		"GET /dwelling/{id}/handover":      p.handover,
		"POST /dwelling/{id}/handover":     p.sign,
		"GET /dwelling/{id}/sheet.pdf":     p.unsigned,
		"GET /dwelling/{id}/sheet.png":     p.unsigned,
		"GET /dwelling/{id}/sheets/{name}": p.keptSheet,
		"GET /dwelling/{id}/run":           p.guided,
		"GET /heard":                       p.overheard,
		"GET /heard/recipe.toml":           p.proposedRecipe,
		"GET /setup":                       p.setup,
		"POST /setup":                      p.addDwelling,
		"GET /dwelling/{id}/clamps":        p.clampWalk,
		"GET /phone":                       p.phone,
		"GET /phone.png":                   p.phoneCode,
		"GET /":                            p.noPage,
	} {
		mux.Handle(pattern, p.timed(pattern, packed(p.guarded(page))))
	}
	mux.Handle("GET /set-aside", http.RedirectHandler("/rejected", http.StatusMovedPermanently)) // its earlier address
	mux.Handle("GET /stream", p.stream(p.overviewStream))
	mux.Handle("GET /dwelling/{id}/stream", p.stream(p.dwellingStream))

	mux.Handle("GET /static/{version}/{name}", p.timed("GET /static/", packed(http.HandlerFunc(p.static))))
	mux.Handle("GET /login", p.timed("GET /login", p.plain(p.loginForm)))
	mux.Handle("POST /login", p.timed("POST /login", p.plain(p.login)))
	mux.Handle("POST /logout", p.timed("POST /logout", p.plain(p.logout)))
	mux.Handle("GET /healthz", p.timed("GET /healthz", http.HandlerFunc(p.health)))
	mux.Handle("GET /metrics", p.timed("GET /metrics", p.scraped(p.metrics.handler())))
	return p.fenced(mux)
}

// policy is the Content-Security-Policy of every answer: scripts, styles and
// charts are files of this program, nothing is inline and nothing is from
// elsewhere.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// fenced sets what every answer carries, turns away what was meant for another
// host, and survives a handler that fails.
func (p *Page) fenced(next http.Handler) http.Handler {
	crossOrigin := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		defer func() {
			if v := recover(); v != nil {
				if v == http.ErrAbortHandler {
					panic(v)
				}
				p.cfg.Logger.Error("a page failed; please report this", "path", r.URL.Path, "panic", v, "stack", string(debug.Stack()))
				http.Error(w, "This page failed. The logger goes on.", http.StatusInternalServerError)
			}
		}()
		if p.access.open && !here(r.Host) {
			http.Error(w, "This page has no password and answers on this machine only, by 127.0.0.1, [::1] or localhost. To reach it by another name, give it a password.", http.StatusMisdirectedRequest)
			return
		}
		if err := crossOrigin.Check(r); err != nil {
			http.Error(w, "A form from another site is not taken.", http.StatusForbidden)
			return
		}
		most := int64(mostForm)
		if p.takesPhotos(r) {
			most = mostUpload
			http.NewResponseController(w).SetReadDeadline(time.Now().Add(uploadTimeout))
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	})
}

// takesPhotos reports whether a request may bring as much as photos take.
func (p *Page) takesPhotos(r *http.Request) bool {
	if r.Method != http.MethodPost || !strings.HasSuffix(r.URL.Path, "/handover") {
		return false
	}
	role, _ := p.access.who(r)
	return role == Engineer
}

// timed gives a handler a limit of time and counts what it answers.
func (p *Page) timed(pattern string, next http.Handler) http.Handler {
	name := strings.TrimPrefix(strings.TrimPrefix(pattern, "GET "), "POST ")
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		limit := answerTimeout
		if p.takesPhotos(r) {
			limit += uploadTimeout
		}
		ctx, cancel := context.WithTimeout(r.Context(), limit)
		defer cancel()
		http.NewResponseController(w).SetWriteDeadline(time.Now().Add(limit))
		counted := &countedWriter{ResponseWriter: w, status: http.StatusOK}
		start := time.Now()
		next.ServeHTTP(counted, r.WithContext(ctx))
		p.metrics.answered(name, counted.status, time.Since(start))
	})
}

type countedWriter struct {
	http.ResponseWriter
	status int
}

func (w *countedWriter) WriteHeader(status int) {
	w.status = status
	w.ResponseWriter.WriteHeader(status)
}

func (w *countedWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// guarded asks who has not given the password to sign in, and shows errors.
func (p *Page) guarded(page func(http.ResponseWriter, *http.Request) error) http.Handler {
	return p.plain(func(w http.ResponseWriter, r *http.Request) error {
		if !p.access.allowed(r) {
			return p.askToSignIn(w, r)
		}
		return page(w, r)
	})
}

// plain shows a handler's error.
func (p *Page) plain(page func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		err := page(w, r)
		var shown *problem
		switch {
		case err == nil:
		case errors.As(err, &shown):
			p.showProblem(w, r, shown)
		case errors.Is(err, context.Canceled): // the visitor has gone
		case errors.Is(err, context.DeadlineExceeded):
			p.showProblem(w, r, &problem504)
		default:
			p.cfg.Logger.Error("a page could not be made", "path", r.URL.Path, "error", err)
			p.showProblem(w, r, &problem500)
		}
	})
}

// scraped lets programs in that send the password with each request.
func (p *Page) scraped(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !p.access.allowed(r) && !p.access.bearer(r) {
			w.Header().Set("WWW-Authenticate", `Bearer realm="greywatt"`)
			http.Error(w, "Send the page's password: Authorization: Bearer PASSWORD", http.StatusUnauthorized)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// health says whether the logger can do its work, and the page too.
func (p *Page) health(w http.ResponseWriter, r *http.Request) {
	h := Health{Ingest: p.cfg.Ingest, Link: p.cfg.Link, Mirror: p.cfg.Mirror}
	if p.trouble.Load() != nil {
		h.trouble = "the page cannot read the log\n"
	}
	h.ServeHTTP(w, r)
}
