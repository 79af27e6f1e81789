package mqttsource_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"testing"
	"time"

	"go.uber.org/goleak"

	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

var rounds = flag.Int("rounds", 5, "times that TestKill kills the logger, for each broker")

// The environment of a test binary that is to be a logger, for TestKill.
const (
	childDir    = "GREYWATT_TEST_LOGGER_DIR"    // its data folder
	childListen = "GREYWATT_TEST_LOGGER_LISTEN" // its own broker's address, or
	childBroker = "GREYWATT_TEST_LOGGER_BROKER" // the URL of another broker
	childSlow   = "GREYWATT_TEST_LOGGER_SLOW"   // set: its clock is years behind
	childTakes  = "GREYWATT_TEST_LOGGER_TAKES"  // set: it is no logger and takes up the quarantine
)

func TestMain(m *testing.M) {
	flag.Parse()
	if os.Getenv(childDir) != "" {
		fmt.Fprintln(os.Stderr, runChild())
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}

// runChild is a logger that says "ready" and goes on until it is killed.
func runChild() error {
	s, err := store.Open(os.Getenv(childDir), store.Options{})
	if err != nil {
		return err
	}
	log := &testLog{Store: s}
	cfg := mqttsource.CommitterConfig{Prefix: prefix, Log: log, GroupDelay: 30 * time.Millisecond}
	ctx := context.Background()
	if os.Getenv(childTakes) != "" {
		fmt.Println("ready")
		if err := takeUp(ctx, s); err != nil {
			return err
		}
		select {}
	}
	if os.Getenv(childSlow) != "" {
		cfg.Quarantine, cfg.Now = s, func() time.Time { return time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC) }
	}
	c := mqttsource.NewCommitter(cfg)
	if addr := os.Getenv(childListen); addr != "" {
		b, err := broker.Listen(broker.Config{Addr: addr, Prefix: prefix, Sink: c})
		if err != nil {
			return err
		}
		defer b.Close()
		fmt.Println("ready")
		return c.Run(ctx)
	}
	src, err := mqttsource.New(mqttsource.Config{Broker: os.Getenv(childBroker), ClientID: "logger", Prefix: prefix}, c)
	if err != nil {
		return err
	}
	go src.Run(ctx)
	fmt.Println("ready")
	return c.Run(ctx)
}
