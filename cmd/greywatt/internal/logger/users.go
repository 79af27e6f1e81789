package logger

import (
	"bytes"
	"context"
	"os"
	"sync/atomic"
	"time"

	"greywatt/ingest/broker"
)

// usersEvery is how often files of users are looked at for changes: this project's
// choice.
const usersEvery = time.Second

// signIns are the page's users as their file has them now.
type signIns struct{ now atomic.Pointer[broker.Users] }

func (s *signIns) SignIn(name, password string) string { return s.now.Load().SignIn(name, password) }
func (s *signIns) Role(name string) string             { return s.now.Load().Role(name) }

// FollowUsers takes up changes of the files of users until ctx ends: who is gone from
// the own broker's, or has another password there, is disconnected; who is gone from
// the page's is signed out. A file with a mistake, and one that is gone, is logged
// and changes nothing. page may be nil.
func (l *Logger) FollowUsers(ctx context.Context, nodes string, page *ServedPage) {
	type followed struct {
		flag, file string
		apply      func(*broker.Users)
		was        []byte
	}
	var files []followed
	if nodes != "" && l.Broker != nil {
		files = append(files, followed{flag: "--users", file: nodes, apply: l.Broker.SetUsers})
	}
	if page != nil && page.users != nil {
		files = append(files, followed{flag: "--http-users", file: page.usersFile, apply: page.users.now.Store})
	}
	if len(files) == 0 {
		return
	}
	tick := time.NewTicker(usersEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		for i := range files {
			f := &files[i]
			is, err := os.ReadFile(f.file)
			if err == nil && bytes.Equal(is, f.was) || err != nil && f.was == nil {
				continue
			}
			first := f.was == nil && err == nil // what the start has read, or newer
			f.was = is
			var users *broker.Users
			if err == nil {
				users, err = broker.ReadUsers(bytes.NewReader(is))
			}
			if err != nil {
				l.Log.Error("a change of the users is not taken; those before stay", "flag", f.flag, "file", f.file, "error", err)
				continue
			}
			f.apply(users)
			if first {
				continue
			}
			l.Log.Info("users taken up", "flag", f.flag, "file", f.file)
		}
	}
}
