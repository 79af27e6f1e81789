// Greywatt logs shower heat recovery units in the field and says what they do.
// See greywatt help.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], &console{os.Stdin, os.Stdout, os.Stderr, os.Getenv, programName(os.Args[0])})
	stop()
	os.Exit(code)
}
