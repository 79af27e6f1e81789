package cli

import (
	"io"
	"os"
	"path/filepath"
	"regexp"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// A Console is what the program reads from and writes to.
type Console struct {
	In     io.Reader
	Out    io.Writer // results
	Err    io.Writer // progress, reports of refused data, errors
	Getenv func(string) string
	Name   string // how people call the program, for advice on what to do next
}

// builtByGoRun matches where go run leaves a program: below a temporary folder of
// the go command, or in its build cache, wherever that is.
var builtByGoRun = regexp.MustCompile(`/go-build[^/]*/|/b001/exe/[^/]+$|/[0-9a-f]{2}/[0-9a-f]{64}-d/[^/]+$`)

// ProgramName returns what to type to call the program again: from a checkout
// it may not be installed.
func ProgramName(arg0 string) string {
	if builtByGoRun.MatchString(filepath.ToSlash(arg0)) {
		return "go run ./cmd/greywatt"
	}
	return arg0
}

// Progress returns a bar for total pieces of work, on err. It shows nothing
// where err is not a terminal.
func (c *Console) Progress(total int64, what string, options ...progressbar.Option) *progressbar.ProgressBar {
	return progressbar.NewOptions64(total, append(options,
		progressbar.OptionSetWriter(c.Err),
		progressbar.OptionSetVisibility(IsTerminal(c.Err)),
		progressbar.OptionSetDescription(what),
		progressbar.OptionShowCount(),
		progressbar.OptionClearOnFinish(),
		progressbar.OptionSetWidth(30))...)
}

func IsTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
