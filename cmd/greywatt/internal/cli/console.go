package cli

import (
	"io"
	"os"
	"path/filepath"
	"strings"

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

// ProgramName returns what to type to call the program again: from a checkout
// it may not be installed.
func ProgramName(arg0 string) string {
	if strings.Contains(filepath.ToSlash(arg0), "/go-build") {
		return "go run ./cmd/greywatt"
	}
	return "greywatt"
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
