package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest"
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

type backupOptions struct {
	data    site.DataFlag
	replace bool
	to      string
	now     func() time.Time
}

func backupCommand() cli.Command {
	return cli.Command{
		Name:     "backup",
		Example:  "greywatt backup /mnt/usb/study.backup --data data",
		Operands: "[FILE]",
		Summary:  "copy the data folder's store to a file, while run is logging",
		About: `
Writes all that the store has at this moment to one file: readings, rejected
records, alarms. It may run beside the logger, which goes on. The copy is read and
checked, and on disk, before it takes its name; only its owner may read it. A
file of that name is left alone unless --replace is given, and then goes once
the new one is complete. Put it on another disk.

With --to DIR the file gets the time at which it was begun as its name, and old
ones are thinned: the newest four stay, and the last of each of seven days and of
eight weeks. It holds all that was acknowledged before that time. run --backup-to
does the same now and then.

Not in it are the study file and, if there is one, the key for pseudonyms,
pseudonyms.key: keep them too, the key not beside what is published. What is
erased later is still in a backup: make a new one and delete the old. What is
kept of analyses, results.sqlite, is not in it either: it is worked out again.

    greywatt backup /mnt/usb/study.backup --data data --replace
    greywatt restore /mnt/usb/study.backup --data data`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &backupOptions{now: time.Now},
	}
}

func (o *backupOptions) AddFlags(flags *pflag.FlagSet) {
	o.data.AddFlags(flags)
	flags.StringVar(&o.to, "to", "", "in place of FILE, a new file in `DIR`, where old ones are thinned")
	flags.BoolVar(&o.replace, "replace", false, "replace a file that is there")
}

func (o *backupOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if len(args) != 1 && o.to == "" || len(args) > 0 && o.to != "" || o.replace && o.to != "" {
		return cli.Usagef("name the file to write, or with --to alone the folder")
	}
	st, err := o.data.Read()
	if err != nil {
		return err
	}
	defer st.Close()
	if o.to != "" {
		file, err := logger.BackUp(ctx, st, o.to, o.now())
		if err != nil {
			return err
		}
		return tellBackup(ctx, con, file)
	}
	existing := store.Keep
	if o.replace {
		existing = store.Replace
	}
	err = st.Backup(ctx, args[0], existing)
	if errors.Is(err, fs.ErrExist) {
		return cli.Usagef("%s is there already; --replace it, or name another", args[0])
	}
	if err != nil {
		return err
	}
	return tellBackup(ctx, con, args[0])
}

func tellBackup(ctx context.Context, con *cli.Console, file string) error {
	copied, err := store.OpenFile(file)
	if err != nil {
		return err
	}
	defer copied.Close()
	return tellStored(ctx, con, file, copied)
}

// tellStored says what a store holds.
func tellStored(ctx context.Context, con *cli.Console, name string, st *store.Store) error {
	nodes, err := st.Nodes(ctx)
	if err != nil {
		return err
	}
	readings, dwellings := int64(0), map[string]bool{}
	for _, n := range nodes {
		readings += n.Readings
		if n.Readings > 0 {
			dwellings[n.Dwelling] = true
		}
	}
	_, err = fmt.Fprintf(con.Out, "%s: %d readings of %s, no damage\n", name, readings, wording.Count(len(dwellings), "dwelling"))
	return err
}

type restoreOptions struct{ data site.DataFlag }

func restoreCommand() cli.Command {
	return cli.Command{
		Name:     "restore",
		Example:  "greywatt restore /mnt/usb/study.backup --data data",
		Operands: "FILE",
		Summary:  "put a backup into a new data folder",
		About: `
Copies a file that backup wrote into the data folder, brings the copy to this
version's format and checks it; the file is left as it is. The folder must have
no store: name a new one, or move the old one away. This is also the way to
another machine. Put the study file and pseudonyms.key back as well.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &restoreOptions{},
	}
}

func (o *restoreOptions) AddFlags(flags *pflag.FlagSet) { o.data.AddFlags(flags) }

func (o *restoreOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("name the backup's file")
	}
	err := store.Restore(ctx, o.data.Dir, args[0])
	if errors.Is(err, fs.ErrExist) {
		return cli.Usagef("%s has a store; name another folder with --data, or move that one away", o.data.Dir)
	}
	var damage *ingest.CorruptError
	if errors.As(err, &damage) {
		return fmt.Errorf("%w; %s is damaged, or no file that backup wrote: take another", err, args[0])
	}
	if err != nil {
		return err
	}
	st, err := o.data.Read()
	if err != nil {
		return err
	}
	defer st.Close()
	return tellStored(ctx, con, st.Path(), st)
}
