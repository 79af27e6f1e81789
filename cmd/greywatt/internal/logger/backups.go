package logger

import (
	"cmp"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/store"
)

// BackupFlags say where a logger backs its store up to, and how often.
type BackupFlags struct {
	dir   string
	every time.Duration
}

func (f *BackupFlags) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.dir, "backup-to", "", "back the data up to files in `DIR`, on another disk or a share; old ones are thinned")
	flags.DurationVar(&f.every, "backup-every", time.Hour, "with --backup-to, every `TIME`")
}

// Check reports what is wrong with them. The folder must be there, as that of a
// share is only while it is mounted.
func (f *BackupFlags) Check() error {
	if f.dir == "" {
		return nil
	}
	if f.every < time.Second {
		return cli.Usagef("--backup-every %v: want 1s or more", f.every)
	}
	if info, err := os.Stat(f.dir); err != nil || !info.IsDir() {
		return cli.Usagef("--backup-to %s: want a folder that is there; make one within the disk or share, so that nothing is written in its place while it is not mounted", f.dir)
	}
	return nil
}

const (
	backupPrefix = "greywatt-"
	backupSuffix = ".backup"
	backupTime   = "20060102T150405.000Z" // in UTC, so that names sort by time
	// A backup reads and writes the whole store: it may have a tenth of the time.
	backupRest = 10
	// leftoverAge is that of the part of a backup that nobody is writing any more.
	leftoverAge = time.Hour
)

// Of the backups in a folder these stay: the newest, and the last of each of so many
// days and weeks that have any.
const (
	keptNewest = 4
	keptDays   = 7
	keptWeeks  = 8
)

// BackUp backs the store up to a new file in dir, which holds all that was
// committed before it began, the time that its name says in UTC, and then removes
// those that are not to stay. The folder's other files are left alone.
func BackUp(ctx context.Context, st *store.Store, dir string, now time.Time) (file string, err error) {
	file = filepath.Join(dir, backupPrefix+now.UTC().Format(backupTime)+backupSuffix)
	if err := st.Backup(ctx, file, store.Keep); err != nil {
		return "", err
	}
	return file, thin(dir, now)
}

// thin removes backups that are not to stay, and what killed ones have left.
func thin(dir string, now time.Time) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	var names []string
	var times []time.Time
	var errs []error
	for _, e := range entries {
		if at, ok := backupAt(e.Name()); ok {
			names, times = append(names, e.Name()), append(times, at)
			continue
		}
		if !strings.HasPrefix(e.Name(), "."+backupPrefix) || !strings.Contains(e.Name(), backupSuffix+".") {
			continue
		}
		if info, err := e.Info(); err == nil && now.Sub(info.ModTime()) > leftoverAge {
			errs = append(errs, os.Remove(filepath.Join(dir, e.Name())))
		}
	}
	for i, stays := range stay(times) {
		if !stays {
			errs = append(errs, os.Remove(filepath.Join(dir, names[i])))
		}
	}
	return errors.Join(errs...)
}

// backupAt returns the time that a backup's name says.
func backupAt(name string) (time.Time, bool) {
	name, ok := strings.CutPrefix(name, backupPrefix)
	name, isBackup := strings.CutSuffix(name, backupSuffix)
	at, err := time.Parse(backupTime, name)
	return at, ok && isBackup && err == nil
}

// stay says which backups of these times stay.
func stay(times []time.Time) []bool {
	newest := make([]int, len(times))
	for i := range newest {
		newest[i] = i
	}
	slices.SortFunc(newest, func(i, j int) int { return times[j].Compare(times[i]) })
	stays := make([]bool, len(times))
	days, weeks := map[string]bool{}, map[[2]int]bool{}
	for n, i := range newest {
		year, week := times[i].ISOWeek()
		day, of := times[i].Format(time.DateOnly), [2]int{year, week}
		stays[i] = n < keptNewest || !days[day] && len(days) < keptDays || !weeks[of] && len(weeks) < keptWeeks
		days[day], weeks[of] = true, true
	}
	return stays
}

// BackUpNowAndThen backs the store up until ctx ends, where the flags say so. It is
// no part of logging: failures are logged, and tried again.
func (l *Logger) BackUpNowAndThen(ctx context.Context, f *BackupFlags) {
	if f.dir == "" {
		return
	}
	commits := int64(-1)
	newest := ""
	for {
		began := l.now()
		if at := l.Committer.Status().Commits; at != commits {
			file, err := BackUp(ctx, l.Store, f.dir, began)
			switch {
			case ctx.Err() != nil:
				return
			case file == "":
				l.Log.Error("no backup; logging goes on, and it is tried again", "error", err, "newest", cmp.Or(newest, "none since the start"))
			case err != nil:
				l.Log.Error("old backups are not removed", "error", err, "newest", file)
			default:
				l.Log.Info("backup", "file", file, "took", l.now().Sub(began).Round(time.Millisecond))
			}
			if file != "" {
				commits, newest = at, file
			}
		}
		wait := time.NewTimer(max(f.every, backupRest*l.now().Sub(began)) - l.now().Sub(began))
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			return
		}
	}
}
