package main

import (
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// A console is what the program reads from and writes to.
type console struct {
	in     io.Reader
	out    io.Writer // results
	err    io.Writer // progress, reports of refused data, errors
	getenv func(string) string
	name   string // how people call the program, for advice on what to do next
}

// programName returns what to type to call the program again: from a checkout
// it may not be installed.
func programName(arg0 string) string {
	if strings.Contains(filepath.ToSlash(arg0), "/go-build") {
		return "go run ./cmd/greywatt"
	}
	return "greywatt"
}

// progress returns a bar for total pieces of work, on err. It shows nothing
// where err is not a terminal.
func (c *console) progress(total int64, what string, options ...progressbar.Option) *progressbar.ProgressBar {
	return progressbar.NewOptions64(total, append(options,
		progressbar.OptionSetWriter(c.err),
		progressbar.OptionSetVisibility(isTerminal(c.err)),
		progressbar.OptionSetDescription(what),
		progressbar.OptionShowCount(),
		progressbar.OptionClearOnFinish(),
		progressbar.OptionSetWidth(30))...)
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
