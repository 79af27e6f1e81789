package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/ingest/broker"
	"greywatt/ingest/payload"
)

type usersOptions struct {
	file         string
	node         string
	watch        bool
	viewer       bool
	engineer     bool
	replace      bool
	passwordFile string
	prefix       string
}

func usersCommand() cli.Command {
	return cli.Command{
		Name:     "users",
		Example:  "greywatt users add larch-04 --node larch-04/n1",
		Operands: "add NAME | list | remove NAME",
		Summary:  "manage who may connect to the logger's own broker, and who may use the page",
		About: `
Keeps the file of users that run --users and run --http-users read. Beyond
loopback the logger's own broker accepts nobody else.

add makes a user: of a node, with --node DWELLING/NODE, that may publish under
that name only; with --watch of a program that may read all topics and publish
nothing; with --viewer of a person who may see the page; with --engineer of one
who may also note there what was done. It asks for the password without showing
it. Where the input is no terminal, the password is its first line, or the first
of --password-file. It is kept as a bcrypt hash. What the node needs is printed,
without the password.

The file is replaced as a whole and only its owner may read it: call this as the
user that the logger runs as. A run that is under way follows the file.

    greywatt users add larch-04 --node larch-04/n1 --users users.txt
    greywatt users add kim --engineer --users users.txt
    greywatt run --users users.txt --listen :8883 --listen-cert c.pem --listen-key k.pem`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &usersOptions{},
	}
}

func (o *usersOptions) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&o.file, "users", "users.txt", "the `FILE` of users")
	flags.StringVar(&o.node, "node", "", "add: the user is the node `DWELLING/NODE`")
	flags.BoolVar(&o.watch, "watch", false, "add: the user may read all topics and publish nothing")
	flags.BoolVar(&o.viewer, "viewer", false, "add: the user may see the page")
	flags.BoolVar(&o.engineer, "engineer", false, "add: the user may see the page and note there what was done")
	flags.BoolVar(&o.replace, "replace", false, "add: replace a user of that name")
	flags.StringVar(&o.passwordFile, "password-file", "", "add: `FILE` whose first line is the password")
	flags.StringVar(&o.prefix, "prefix", payload.DefaultPrefix, "first `LEVEL` of the topics, as in run")
}

func (o *usersOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	action, operands := "", args
	if len(args) > 0 {
		action, operands = args[0], args[1:]
	}
	switch {
	case action == "add" && len(operands) == 1:
		return o.add(ctx, con, operands[0])
	case action == "list" && len(operands) == 0:
		return o.list(con)
	case action == "remove" && len(operands) == 1:
		return o.remove(con, operands[0])
	}
	return cli.Usagef("want add NAME, list or remove NAME")
}

func (o *usersOptions) add(ctx context.Context, con *cli.Console, name string) error {
	account, err := o.account(name)
	if err != nil {
		return err
	}
	file, err := o.read()
	if err != nil {
		return err
	}
	existing, err := broker.Accounts(file)
	if err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	if !o.replace && slices.ContainsFunc(existing, func(a broker.Account) bool { return a.Name == name }) {
		return cli.Usagef("%s has a user %s; give --replace, or another name", o.file, name)
	}
	password, err := o.password(ctx, con, name)
	if err != nil {
		return err
	}
	if account.Page != "" {
		if err := live.CheckPassword(password); err != nil {
			return cli.Usagef("password of %s: %w", name, err)
		}
	}
	if password == "" {
		return cli.Usagef("password of %s: empty; type one, or put it in the first line of a file for --password-file", name)
	}
	hash, err := broker.HashPassword(password)
	if err != nil {
		return cli.Usagef("password of %s: %w", name, err)
	}
	if file, err = broker.WithAccount(file, account, hash); err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	if err := o.write(file); err != nil {
		return err
	}
	return o.explain(con, account)
}

// account checks what the flags say of a user.
func (o *usersOptions) account(name string) (broker.Account, error) {
	a := broker.Account{Name: name, Node: o.node}
	if err := a.Check(); err != nil {
		return a, cli.Usage(err)
	}
	roles := 0
	for _, is := range []bool{o.node != "", o.watch, o.viewer, o.engineer} {
		if is {
			roles++
		}
	}
	if roles != 1 {
		return a, cli.Usagef("say what %s is, in one way: --node DWELLING/NODE, --watch, --viewer or --engineer", name)
	}
	switch {
	case o.viewer:
		a.Page = broker.Viewer
	case o.engineer:
		a.Page = broker.Engineer
	}
	if a.Page != "" {
		return a, nil
	}
	if err := payload.CheckPrefix(o.prefix); err != nil {
		return a, cli.Usagef("--prefix: %w", err)
	}
	if o.watch {
		return a, nil
	}
	dwelling, node, _ := strings.Cut(o.node, "/")
	if err := cmp.Or(payload.CheckID(dwelling), payload.CheckID(node)); err != nil {
		return a, cli.Usagef("--node %s: want DWELLING/NODE: %w", o.node, err)
	}
	return a, nil
}

func (o *usersOptions) password(ctx context.Context, con *cli.Console, name string) (string, error) {
	if o.passwordFile == "" {
		return con.ReadSecret(ctx, "Password of "+name)
	}
	text, err := os.ReadFile(o.passwordFile)
	if err != nil {
		return "", fmt.Errorf("--password-file: %w", err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	return strings.TrimRight(first, "\r"), nil
}

// explain says what to put into the node.
func (o *usersOptions) explain(con *cli.Console, a broker.Account) error {
	if a.Page != "" {
		may := "see the page"
		if a.Page == broker.Engineer {
			may += " and note there what was done"
		}
		_, err := fmt.Fprintf(con.Out, "%s: user %s, who may %s, once run --http-users %[1]s is started\n", o.file, a.Name, may)
		return err
	}
	if a.Node == "" {
		_, err := fmt.Fprintf(con.Out, `%s: user %s, who may read all topics

Put into the program that reads:
  user      %[2]s
  password  as just given
  topics    %[3]s/#
`, o.file, a.Name, o.prefix)
		return err
	}
	_, err := fmt.Fprintf(con.Out, `%s: user %s of node %s

Put into the node:
  broker    this machine's address, the port of run --listen; TLS if run has --listen-cert
  user      %[2]s
  password  as just given
  readings  %[4]s/%[3]s/senml
  presence  %[4]s/%[3]s/presence
`, o.file, a.Name, a.Node, o.prefix)
	return err
}

func (o *usersOptions) list(con *cli.Console) error {
	file, err := o.read()
	if err != nil {
		return err
	}
	accounts, err := broker.Accounts(file)
	if err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	if len(accounts) == 0 {
		_, err := fmt.Fprintf(con.Out, "%s: no users\n", o.file)
		return err
	}
	table := cli.NewTable("USER", "MAY")
	for _, a := range accounts {
		may := "publish as " + a.Node
		switch {
		case a.Page == broker.Viewer:
			may = "see the page"
		case a.Page == broker.Engineer:
			may = "see the page and note things there"
		case a.Node == "":
			may = "read all topics"
		}
		table.Add(a.Name, may)
	}
	return table.Write(con.Out)
}

func (o *usersOptions) remove(con *cli.Console, name string) error {
	file, err := o.read()
	if err != nil {
		return err
	}
	if file, err = broker.WithoutAccount(file, name); err != nil {
		return cli.Usagef("%s: %w; users list names them", o.file, err)
	}
	if err := o.write(file); err != nil {
		return err
	}
	_, err = fmt.Fprintf(con.Out, "%s: user %s removed; a running logger knows it once it is started again\n", o.file, name)
	return err
}

// read returns the file of users, nothing where there is none yet.
func (o *usersOptions) read() ([]byte, error) {
	file, err := os.ReadFile(o.file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return file, err
}

func (o *usersOptions) write(file []byte) error {
	return staging.WritePrivateFile(o.file, func(w io.Writer) error {
		_, err := w.Write(file)
		return err
	})
}
