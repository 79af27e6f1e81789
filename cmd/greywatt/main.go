// Greywatt logs shower heat recovery units in the field and says what they do.
// See greywatt help.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"greywatt/cmd/greywatt/internal/cli"
)

func main() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(60) // a tenth less memory for two hundredths of the time, at the most
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], &cli.Console{In: os.Stdin, Out: os.Stdout, Err: os.Stderr, Getenv: os.Getenv, Name: cli.ProgramName(os.Args[0])})
	stop()
	os.Exit(code)
}
