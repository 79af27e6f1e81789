package logger

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest/broker"
)

const PagePasswordVariable = "GREYWATT_HTTP_PASSWORD"

// PageFlags say where the page is and who may see it.
type PageFlags struct {
	Addr, passwordFile, cert, key string
	users                         string
	Needed                        bool           // there is nothing to do without a page
	Version                       string         // of the program, for the page
	Journal                       live.Journal   // nil: nothing can be noted on the page
	StudyFile                     live.StudyFile // nil: no dwelling can be added there
	Sheets                        string         // folder of the sheets that the page keeps
}

func (f *PageFlags) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.Addr, "http", live.DefaultAddr, "show the study's page at `HOST:PORT`; \"\" for no page")
	flags.StringVar(&f.passwordFile, "http-password-file", "", "`FILE` with the page's password; required beyond loopback, unless --http-users is given")
	flags.StringVar(&f.users, "http-users", "", "`FILE` of users who sign in to the page by name, viewers and engineers")
	flags.StringVar(&f.cert, "http-cert", "", "PEM `FILE` of the page's certificate, for TLS")
	flags.StringVar(&f.key, "http-key", "", "PEM `FILE` of that certificate's key")
}

// password returns the page's password, empty where there is none.
func (f *PageFlags) password(con *cli.Console) (string, error) {
	password, from := con.Getenv(PagePasswordVariable), PagePasswordVariable
	if f.passwordFile != "" {
		text, err := os.ReadFile(f.passwordFile)
		if err != nil {
			return "", fmt.Errorf("--http-password-file: %w", err)
		}
		password, from = strings.TrimRight(string(text), "\r\n"), f.passwordFile
	}
	if password == "" && f.passwordFile == "" {
		return "", nil
	}
	if err := live.CheckPassword(password); err != nil {
		return "", cli.Usagef("%s: %w", from, err)
	}
	return password, nil
}

// A ServedPage is the page with its address; nil where there is none.
type ServedPage struct {
	*live.Page
	Listener net.Listener
	tls      *tls.Config
	log      *slog.Logger
	engineer bool // somebody may note things there

	users     *signIns // nil where nobody signs in by name
	usersFile string
}

// Sign reports whether there is a page that users sign in to by name.
func (f *PageFlags) Sign() bool { return f.Addr != "" && f.users != "" }

// signIn returns who may sign in by name; nil where nobody may.
func (f *PageFlags) signIn() (*broker.Users, error) {
	if f.users == "" {
		return nil, nil
	}
	file, err := os.Open(f.users)
	if err != nil {
		return nil, fmt.Errorf("--http-users: %w", err)
	}
	defer file.Close()
	users, err := broker.ReadUsers(file)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.users, err)
	}
	if !users.SignsIn(broker.Viewer) && !users.SignsIn(broker.Engineer) {
		return nil, cli.Usagef("%s: nobody there may sign in to the page; greywatt users add NAME --engineer --users %[1]s makes somebody", f.users)
	}
	return users, nil
}

// CheckFree reports whether the page could be opened at its address now. It is for
// work that shows its page only at the end.
func (f *PageFlags) CheckFree(con *cli.Console) error {
	password, err := f.password(con)
	if err != nil {
		return err
	}
	users, err := f.signIn()
	if err != nil {
		return err
	}
	listener, err := live.Listen(f.Addr, password != "" || users != nil)
	if errors.Is(err, syscall.EADDRINUSE) {
		return fmt.Errorf("another program has the page's address %s; --http HOST:PORT names another, --http \"\" leaves the page out", f.Addr)
	}
	if err != nil {
		return err
	}
	return listener.Close()
}

// Open opens the page's address; cfg says what to show there. Where another
// program has the address that nobody asked for, there is no page.
func (f *PageFlags) Open(con *cli.Console, cfg live.Config) (*ServedPage, error) {
	if f.Addr == "" {
		return nil, nil
	}
	password, err := f.password(con)
	if err != nil {
		return nil, err
	}
	users, err := f.signIn()
	if err != nil {
		return nil, err
	}
	s := &ServedPage{log: cfg.Logger}
	if users != nil { // a nil *Users in an interface would not be nil
		s.users, s.usersFile = &signIns{}, f.users
		s.users.now.Store(users)
		cfg.Users, s.engineer = s.users, users.SignsIn(broker.Engineer)
	}
	if f.cert != "" || f.key != "" {
		pair, err := tls.LoadX509KeyPair(f.cert, f.key)
		if err != nil {
			return nil, fmt.Errorf("--http-cert, --http-key: %w", err)
		}
		s.tls = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	}
	s.Listener, err = live.Listen(f.Addr, password != "" || users != nil)
	if !f.Needed && f.Addr == live.DefaultAddr && errors.Is(err, syscall.EADDRINUSE) {
		cfg.Logger.Warn("another program has the page's address: logging without a page; --http names another", "addr", f.Addr)
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if at, ok := s.Listener.Addr().(*net.TCPAddr); ok && !at.IP.IsLoopback() && s.tls == nil {
		cfg.Logger.Warn("the page has no TLS: passwords and what it shows cross the network in clear; --http-cert and --http-key give it some", "addr", f.Addr)
	}
	cfg.Journal, cfg.StudyFile, cfg.Sheets = f.Journal, f.StudyFile, f.Sheets
	cfg.Password, cfg.Version, cfg.Addresses = password, f.Version, s.Addresses()
	s.Page = live.New(cfg)
	return s, nil
}

// Addresses returns where the page is to be reached, the likeliest first.
func (s *ServedPage) Addresses() []string {
	scheme := "http"
	if s.tls != nil {
		scheme = "https"
	}
	at := s.Listener.Addr().(*net.TCPAddr).AddrPort()
	ifaces, err := net.InterfaceAddrs()
	if err != nil {
		s.log.Warn("the addresses of this machine are not known", "error", err)
	}
	if urls := addresses(at, ifaces, scheme); len(urls) > 0 {
		return urls
	}
	return []string{scheme + "://" + at.String()}
}

// Announce says where the page is: beyond loopback each of its addresses, on a
// terminal the first as a code for a telephone's camera too, and what is missing.
func (s *ServedPage) Announce(con *cli.Console) {
	urls := s.Addresses()
	for _, url := range urls {
		s.log.Info("page", "url", url)
	}
	if s.Listener.Addr().(*net.TCPAddr).IP.IsLoopback() {
		return
	}
	if !s.engineer {
		s.log.Info("nobody can note things on the page: greywatt users add NAME --engineer --users FILE, then --http-users FILE")
	}
	if cli.IsTerminal(con.Err) {
		if err := writeCode(con.Err, urls[0]); err != nil {
			s.log.Warn("no code of the page's address", "error", err)
		}
	}
}

// Host shows the page until ctx ends. Its failure does not stop logging.
func (s *ServedPage) Host(ctx context.Context) {
	var work sync.WaitGroup
	work.Go(func() { s.Run(ctx) })
	if err := s.Serve(ctx, s.Listener, s.tls); err != nil {
		s.log.Error("no page any more; all else goes on", "error", err)
	}
	work.Wait()
}

// OpenPage opens the logger's page, which is shown what it commits. It comes
// before Listen and Subscribe, whose topics that nobody takes are shown there too.
func (l *Logger) OpenPage(con *cli.Console, f *PageFlags, study *greywatt.Study, topics string, mirror *Mirroring, now func() time.Time) (*ServedPage, error) {
	cfg := live.Config{
		Study: study, Log: l.Store, Rejected: l.Store, Ingest: l.Committer.Status,
		Link: func() live.Link { return l.link(topics) }, Logger: l.Log, Now: now,
	}
	cfg.Packs = l.Committer.Packs
	cfg.Quarantine = l.Store.QuarantineCounts
	cfg.Clocks = func(context.Context) (live.Clocks, error) { return ShownClocks(l.Committer.Clocks()), nil }
	if mirror != nil {
		cfg.Mirror = mirror.state
	}
	heard := newOverheard()
	cfg.Overheard = heard
	page, err := f.Open(con, cfg)
	if page != nil {
		l.overheard = heard
		l.shown.committed = page.Committed
		watched := func() bool { return page.Newest().Watched() }
		l.watched.Store(&watched)
	}
	return page, err
}

// HealthFlag says where the logger's health is answered besides the page.
type HealthFlag struct{ addr string }

func (f *HealthFlag) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.addr, "health", "", "answer /healthz at `HOST:PORT` too, whatever happens to the page")
}

// Open opens the address; nil where there is none. Whoever reaches it may ask: the
// answer names nobody.
func (f *HealthFlag) Open() (net.Listener, error) {
	if f.addr == "" {
		return nil, nil
	}
	l, err := net.Listen("tcp", f.addr)
	if err != nil {
		return nil, fmt.Errorf("--health: %w", err)
	}
	return l, nil
}

// HostHealth answers on the listener, nil for none, until ctx ends. Its failure does
// not stop logging.
func (l *Logger) HostHealth(ctx context.Context, at net.Listener, mirror *Mirroring) {
	if at == nil {
		return
	}
	h := live.Health{Ingest: l.Committer.Status, Link: func() live.Link { return l.link("") }}
	if mirror != nil {
		h.Mirror = mirror.state
	}
	l.Log.Info("health", "url", "http://"+at.Addr().String()+"/healthz")
	if err := h.Serve(ctx, at, l.Log); err != nil {
		l.Log.Error("no health any more; all else goes on", "error", err)
	}
}

// Follow returns what analyses the logger's readings as they come, for the page
// if there is one, and reports what ends.
func (l *Logger) Follow(study *greywatt.Study, page *ServedPage, now func() time.Time, tell func(watch.Update)) *watch.Watch {
	cfg := watch.Config{Study: study, Log: l.Store, Kept: l.Kept, Notes: l.Store, OnUpdate: tell, GiveBack: GiveBack, Now: now, Logger: l.Log}
	page.Follow(&cfg)
	return watch.New(cfg)
}

// Follow shows the page, where there is one, what is found.
func (s *ServedPage) Follow(cfg *watch.Config) {
	if s == nil {
		return
	}
	tell, page := cfg.OnUpdate, s.Newest()
	cfg.View, cfg.OnAnalysis, cfg.Busy = page, page.ObserveAnalysis, page.Busy
	cfg.OnUpdate = func(n watch.Update) {
		page.CountUpdate(n)
		if tell != nil {
			tell(n)
		}
	}
}

// RefuseEdit shows on the page, where there is one, why an edit is not taken.
func (s *ServedPage) RefuseEdit(why string) {
	if s != nil {
		s.Refuse(why)
	}
}

// link tells how the logger is connected to its nodes.
func (l *Logger) link(topics string) live.Link {
	if l.Broker != nil {
		s := l.Broker.Status()
		link := live.Link{Where: s.URL, Topics: topics, Connected: true, Clients: s.Clients}
		link.Refused = map[string]int64{
			"denied": s.Denied, "turned-away": s.TurnedAway, "accept-error": s.AcceptErrors, "abandoned": s.Abandoned,
			"not-passed-on": s.Unwatched, "log-line": s.LinesLeftOut,
		}
		if err := l.deaf.Load(); err != nil {
			link.Connected, link.Trouble = false, (*err).Error()
		}
		return link
	}
	s := l.Source.Status()
	return live.Link{
		Where: s.Broker, Topics: topics, Connected: s.Connected, Since: s.Since,
		Reconnects: max(0, s.Connects-1), Trouble: s.LastError, Clients: -1, Refused: map[string]int64{"session-lost": s.SessionsLost, "broker-dropped": s.BrokerDropped},
	}
}
