package main

import (
	"context"
	"flag"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"testing"

	"go.uber.org/goleak"
)

var rounds = flag.Int("rounds", 5, "times that TestKill kills the node")

// childArgs is the environment of a test binary that is to be a node, for
// TestKill: its command line, a line an argument.
const childArgs = "NODE_TEST_ARGS"

func TestMain(m *testing.M) {
	flag.Parse()
	if args := os.Getenv(childArgs); args != "" {
		ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
		code := run(ctx, strings.Split(args, "\n"), os.Stdout, os.Stderr)
		stop()
		os.Exit(code)
	}
	goleak.VerifyTestMain(m)
}
