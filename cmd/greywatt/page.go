package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/live"
)

const pagePasswordVariable = "GREYWATT_HTTP_PASSWORD"

// pageFlags say where the page is and who may see it.
type pageFlags struct{ addr, passwordFile, cert, key string }

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
	logger   *logger
}

// open opens the page's address and shows the page what the logger commits.
// Where another program has the address that nobody asked for, there is no page.
func (f *pageFlags) open(con *console, l *logger, study *greywatt.Study, topics string, now func() time.Time) (*servedPage, error) {
	if f.addr == "" {
		return nil, nil
	}
	password, err := f.password(con)
	if err != nil {
		return nil, err
	}
	s := &servedPage{logger: l}
	if f.cert != "" || f.key != "" {
		pair, err := tls.LoadX509KeyPair(f.cert, f.key)
		if err != nil {
			return nil, fmt.Errorf("--http-cert, --http-key: %w", err)
		}
		s.tls = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	}
	s.listener, err = live.Listen(f.addr, password != "")
	if f.addr == live.DefaultAddr && errors.Is(err, syscall.EADDRINUSE) {
		l.log.Warn("another program has the page's address: logging without a page; --http names another", "addr", f.addr)
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if at, ok := s.listener.Addr().(*net.TCPAddr); ok && !at.IP.IsLoopback() && s.tls == nil {
		l.log.Warn("the page has no TLS: its password and what it shows cross the network in clear", "addr", f.addr)
	}
	s.Page = live.New(live.Config{
		Study: study, Log: l.store, Aside: l.store, Ingest: l.committer.Status,
		Link:     func() live.Link { return l.link(topics) },
		Password: password, Version: programVersion(), Logger: l.log, Now: now,
	})
	l.shown.committed = s.Committed
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
	if s == nil {
		return
	}
	var work sync.WaitGroup
	work.Go(func() { s.Run(ctx) })
	if err := s.Serve(ctx, s.listener, s.tls); err != nil {
		s.logger.log.Error("no page any more; logging goes on", "error", err)
	}
	work.Wait()
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
