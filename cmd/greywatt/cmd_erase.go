package main

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/kept"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/suggest"
)

type eraseOptions struct {
	dwelling site.DwellingFlag
	data     site.StoreFlags
	mirror   string
	also     []string
	yes      bool
}

func eraseCommand() cli.Command {
	return cli.Command{
		Name:     "erase",
		Example:  "greywatt erase larch-04 --data data",
		Operands: "DWELLING",
		Summary:  "remove all that is known of one dwelling",
		About: `
Removes the dwelling's readings, conflicts, rejected records, presence, alarms,
messages kept whole that name it, what waits for a mirror, and what is kept of
its analysis from the data folder, and overwrites where they stood; and the
files in the data folder, and in folders named by --also, that have its id in
their name, such as charts and, in study.sheets, the signed sheets with their
photos. Without --yes it only says what it would remove. It cannot be undone.
Stop run and watch first, and take the dwelling out of the study file, or its
nodes' next readings will be logged again; and unplug its nodes, or what they
send is kept whole, as of an unknown dwelling.

Files that hold the id inside are listed and left: export or write them again.
Of the study's journal remove the dwelling's facts by hand. Not found at all are
packed files (Parquet, gzip), backups and copies elsewhere. Removed files are
not overwritten, and a flash disk keeps for a while what it has replaced.

With --mirror it is erased on an InfluxDB server as well, with --store only
there; that server's files lose the bytes when it next compacts them.

    greywatt erase larch-04 --data data --also charts --also study.sheets --yes`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &eraseOptions{},
	}
}

func (o *eraseOptions) AddFlags(flags *pflag.FlagSet) {
	o.data.AddFlags(flags)
	o.dwelling.AddFlags(flags)
	flags.StringVar(&o.mirror, "mirror", "", "erase it in the InfluxDB bucket at `URL` too")
	cli.ForServers(flags, "mirror")
	flags.StringArrayVar(&o.also, "also", nil, "also remove files with its id in their name from `DIR`; may be repeated")
	flags.BoolVar(&o.yes, "yes", false, "do it")
}

func (o *eraseOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	id, err := o.dwelling.One(args)
	if err != nil {
		return err
	}
	known, err := o.known(ctx, con)
	if err != nil {
		return err
	}
	folders := o.also
	if !o.data.OnServer() {
		folders = append([]string{o.data.Dir}, o.also...)
	}
	search := searchFor(id, known)
	named, err := search.files(folders)
	if err != nil {
		return err
	}
	stored := slices.Contains(known, id)
	if !stored && len(named) == 0 {
		if near, ok := suggest.Nearest(id, known); ok {
			return cli.Usagef("nothing of %s in %s; did you mean %s?", id, o.data.Name(), near)
		}
		return cli.Usagef("nothing of %s in %s", id, o.data.Name())
	}
	if !o.yes {
		if stored {
			fmt.Fprintf(con.Out, "%s: all of %s\n", o.data.Name(), id)
		}
		for _, file := range named {
			fmt.Fprintln(con.Out, file)
		}
		return cli.Usagef("this removes all of %s for good; say --yes to do it", id)
	}
	if stored {
		if err := o.erase(ctx, con, id); err != nil {
			return err
		}
	}
	if err := removeFiles(con.Out, named); err != nil {
		return err
	}
	if err := search.warn(ctx, con.Err, folders); err != nil {
		return err
	}
	_, err = fmt.Fprintf(con.Out, "%s is erased\n", id)
	return err
}

// erase removes the dwelling from the store and the mirror.
func (o *eraseOptions) erase(ctx context.Context, con *cli.Console, id string) error {
	st, err := o.data.Write(con)
	if err != nil {
		return err
	}
	defer st.Close()
	if !o.data.OnServer() { // first: where it fails, all is still there to be erased again
		if err := kept.Erase(o.data.Dir, id); err != nil {
			return fmt.Errorf("%s: %w", filepath.Join(o.data.Dir, kept.FileName), err)
		}
	}
	if err := st.Erase(ctx, id); err != nil {
		return err
	}
	if o.mirror != "" {
		return o.eraseMirrored(ctx, con, id)
	}
	return nil
}

// known returns the dwellings that the store, or the mirror, knows anything of.
// A mistyped name must not pass as one without data; and where erasing
// came to an end between the two it is to be repeated.
func (o *eraseOptions) known(ctx context.Context, con *cli.Console) ([]string, error) {
	st, err := o.data.Records(con)
	if err != nil {
		return nil, err
	}
	defer st.Close()
	names, err := dwellingsIn(ctx, st)
	if err != nil || o.mirror == "" {
		return names, err
	}
	db, err := o.data.Influx.Open(con, "mirror", o.mirror)
	if err != nil {
		return nil, err
	}
	mirror := db
	defer mirror.Close()
	mirrored, err := dwellingsIn(ctx, mirror)
	return append(names, mirrored...), err
}

func dwellingsIn(ctx context.Context, st site.RecordStore) ([]string, error) {
	nodes, err := st.Nodes(ctx)
	if err != nil {
		return nil, err
	}
	refused, err := st.RejectedCounts(ctx)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, n := range nodes {
		names = append(names, n.Dwelling)
	}
	for _, r := range refused {
		if r.Dwelling != "" {
			names = append(names, r.Dwelling)
		}
	}
	return names, nil
}

// eraseMirrored removes a dwelling from a mirror too.
func (o *eraseOptions) eraseMirrored(ctx context.Context, con *cli.Console, dwelling string) error {
	db, err := o.data.Influx.Open(con, "mirror", o.mirror)
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.Erase(ctx, dwelling); err != nil {
		return fmt.Errorf("%s is erased in %s, but not in the mirror: %w; erase it again", dwelling, o.data.Dir, err)
	}
	return nil
}
