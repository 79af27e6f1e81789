package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
)

type versionOptions struct{}

func versionCommand() cli.Command {
	return cli.Command{
		Name:    "version",
		Example: "greywatt version",
		Summary: "say which build this is",
		About: `
Writes the version, the Go release it was built with, the operating system and
processor it was built for, and, where the build recorded them, the revision of
the source and its date. State it in bug reports and beside published figures.`,
		Verb: &versionOptions{},
	}
}

func (o *versionOptions) AddFlags(*pflag.FlagSet) {}

func (o *versionOptions) Run(_ context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	_, err := io.WriteString(con.Out, thisBuild().text())
	return err
}

// version is set by the linker in releases: -X main.version=1.2.3.
var version string

// A buildRecord is what is known of a build. Texts are empty where it did not
// record them.
type buildRecord struct {
	version  string // as released, else as the module system has it
	goIs     string // of the Go release
	platform string // operating system/processor
	revision string
	date     string // of the revision, RFC 3339
	changed  bool   // the source differed from the revision
}

// thisBuild returns the record of the running program.
func thisBuild() buildRecord {
	info, _ := debug.ReadBuildInfo()
	return recordOf(version, info)
}

func recordOf(released string, info *debug.BuildInfo) buildRecord {
	b := buildRecord{version: released, goIs: runtime.Version(), platform: runtime.GOOS + "/" + runtime.GOARCH}
	if info == nil {
		b.version = cmp.Or(released, "(unknown)")
		return b
	}
	b.version = cmp.Or(released, info.Main.Version, "(unknown)")
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.revision = s.Value
		case "vcs.time":
			b.date = s.Value
		case "vcs.modified":
			b.changed = s.Value == "true"
		}
	}
	return b
}

func (b buildRecord) text() string {
	var out strings.Builder
	line := func(name, value string) {
		if value != "" {
			fmt.Fprintf(&out, "%-9s %s\n", name, value)
		}
	}
	line("greywatt", b.version)
	line("go", b.goIs)
	line("platform", b.platform)
	revision := b.revision
	if b.changed {
		revision += ", with changes"
	}
	line("revision", revision)
	line("dated", b.date)
	return out.String()
}

// programVersion names the build on one line: the released version, else what
// the build recorded.
func programVersion() string {
	if version != "" {
		return version
	}
	b := thisBuild()
	words := []string{b.version}
	if len(b.revision) >= 12 {
		words = append(words, b.revision[:12])
	}
	if b.changed {
		words = append(words, "with changes")
	}
	return strings.Join(append(words, b.goIs), " ")
}
