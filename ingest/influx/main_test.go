package influx_test

import (
	"flag"
	"fmt"
	"os"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	flag.Parse()
	if os.Getenv(workerBroker) != "" {
		fmt.Fprintln(os.Stderr, runWorker())
		os.Exit(1)
	}
	if testing.Short() {
		fmt.Println("-short: the tests against an InfluxDB server did not run")
	}
	goleak.VerifyTestMain(m)
}
