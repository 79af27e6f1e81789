package cli

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"
)

// ReadSecret asks for a secret twice at a terminal, without showing what is
// typed. Elsewhere it is the first line of the input.
func (c *Console) ReadSecret(ctx context.Context, what string) (string, error) {
	f, ok := c.In.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		line, err := bufio.NewReader(c.In).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	first, err := c.hidden(ctx, f, what+": ")
	if err != nil {
		return "", err
	}
	again, err := c.hidden(ctx, f, what+" again: ")
	if err != nil {
		return "", err
	}
	if first != again {
		return "", errors.New("the two are not the same; nothing is changed")
	}
	return first, nil
}

// hidden reads a line from a terminal that does not show it. An interruption
// gives the terminal back as it was.
func (c *Console) hidden(ctx context.Context, f *os.File, prompt string) (string, error) {
	fd := int(f.Fd()) // an interrupted read outlives f: it must not ask it
	before, err := term.GetState(fd)
	if err != nil {
		return "", err
	}
	fmt.Fprint(c.Err, prompt)
	defer fmt.Fprintln(c.Err)
	type answer struct {
		text []byte
		err  error
	}
	answered := make(chan answer, 1)
	go func() {
		text, err := term.ReadPassword(fd)
		answered <- answer{text, err}
	}()
	select {
	case a := <-answered:
		return string(a.text), a.err
	case <-ctx.Done():
		return "", errors.Join(ctx.Err(), term.Restore(fd, before))
	}
}
