package main

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
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/cmd/greywatt/internal/watch"
)

const pagePasswordVariable = "GREYWATT_HTTP_PASSWORD"

// pageFlags say where the page is and who may see it.
type pageFlags struct {
	addr, passwordFile, cert, key string
	needed                        bool // there is nothing to do without a page
}

func (f *pageFlags) addFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.addr, "http", live.DefaultAddr, "show the study's page at `HOST:PORT`; \"\" for no page")
	flags.StringVar(&f.passwordFile, "http-password-file", "", "`FILE` with the page's password; beyond loopback it wants one")
	flags.StringVar(&f.cert, "http-cert", "", "PEM `FILE` of the page's certificate, for TLS")
	flags.StringVar(&f.key, "http-key", "", "PEM `FILE` of that certificate's key")
}

// password returns the page's password, empty where there is none.
func (f *pageFlags) password(con *console) (string, error) {
	password, from := con.getenv(pagePasswordVariable), pagePasswordVariable
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
		return "", usageError{fmt.Errorf("%s: %w", from, err)}
	}
	return password, nil
}

// A servedPage is the page with its address; nil where there is none.
type servedPage struct {
	*live.Page
	listener net.Listener
	tls      *tls.Config
	log      *slog.Logger
}

// open opens the page's address; cfg says what to show there. Where another
// program has the address that nobody asked for, there is no page.
func (f *pageFlags) open(con *console, cfg live.Config) (*servedPage, error) {
	if f.addr == "" {
		return nil, nil
	}
	password, err := f.password(con)
	if err != nil {
		return nil, err
	}
	s := &servedPage{log: cfg.Logger}
	if f.cert != "" || f.key != "" {
		pair, err := tls.LoadX509KeyPair(f.cert, f.key)
		if err != nil {
			return nil, fmt.Errorf("--http-cert, --http-key: %w", err)
		}
		s.tls = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	}
	s.listener, err = live.Listen(f.addr, password != "")
	if !f.needed && f.addr == live.DefaultAddr && errors.Is(err, syscall.EADDRINUSE) {
		cfg.Logger.Warn("another program has the page's address: logging without a page; --http names another", "addr", f.addr)
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if at, ok := s.listener.Addr().(*net.TCPAddr); ok && !at.IP.IsLoopback() && s.tls == nil {
		cfg.Logger.Warn("the page has no TLS: its password and what it shows cross the network in clear", "addr", f.addr)
	}
	cfg.Password, cfg.Version = password, programVersion()
	s.Page = live.New(cfg)
	return s, nil
}

// url returns where the page is.
func (s *servedPage) url() string {
	scheme := "http"
	if s.tls != nil {
		scheme = "https"
	}
	return scheme + "://" + s.listener.Addr().String()
}

// run shows the page until ctx ends. What befalls it does not befall logging.
func (s *servedPage) run(ctx context.Context) {
	var work sync.WaitGroup
	work.Go(func() { s.Run(ctx) })
	if err := s.Serve(ctx, s.listener, s.tls); err != nil {
		s.log.Error("no page any more; all else goes on", "error", err)
	}
	work.Wait()
}

// openPage opens the logger's page, which is shown what it commits.
func (l *logger) openPage(con *console, f *pageFlags, study *greywatt.Study, topics string, mirror *mirroring, now func() time.Time) (*servedPage, error) {
	cfg := live.Config{
		Study: study, Log: l.store, Aside: l.store, Ingest: l.committer.Status,
		Link: func() live.Link { return l.link(topics) }, Logger: l.log, Now: now,
	}
	cfg.Clocks = func(context.Context) (live.Clocks, error) { return shownClocks(l.committer.Clocks()), nil }
	if mirror != nil {
		cfg.Mirror = mirror.state
	}
	page, err := f.open(con, cfg)
	if page != nil {
		l.shown.committed = page.Committed
	}
	return page, err
}

// follow returns what analyses the logger's readings as they come, for the page
// if there is one, and tells of what ends.
func (l *logger) follow(study *greywatt.Study, page *servedPage, now func() time.Time, tell func(watch.News)) *watch.Watch {
	cfg := watch.Config{Study: study, Log: l.store, Notes: l.store, Tell: tell, Now: now, Logger: l.log}
	page.follow(&cfg)
	return watch.New(cfg)
}

// follow shows the page, where there is one, what is found.
func (s *servedPage) follow(cfg *watch.Config) {
	if s == nil {
		return
	}
	tell := cfg.Tell
	cfg.View, cfg.Took, cfg.Busy = s, s.Took, s.Busy
	cfg.Tell = func(n watch.News) {
		s.Told(n)
		if tell != nil {
			tell(n)
		}
	}
}

// link tells how the logger is connected to its nodes.
func (l *logger) link(topics string) live.Link {
	if l.broker != nil {
		s := l.broker.Status()
		return live.Link{Where: s.URL, Topics: topics, Connected: true, Clients: s.Clients}
	}
	s := l.source.Status()
	return live.Link{
		Where: s.Broker, Topics: topics, Connected: s.Connected, Since: s.Since,
		Reconnects: max(0, s.Connects-1), Trouble: s.LastError, Clients: -1,
	}
}
