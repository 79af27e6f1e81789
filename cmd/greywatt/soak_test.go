//go:build linux

package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"greywatt"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/payload"
)

var (
	soakFor       = flag.Duration("soak", 12*time.Second, "how long TestSoak runs; its bounds on growth hold from 50 minutes on")
	soakDwellings = flag.Int("soak-dwellings", 100, "dwellings in TestSoak, each with a connection and 0.98 readings a second")
)

// A soaker is a dwelling whose node publishes in step with the clock: four
// minutes of water each half hour, sampled every second then and for 90 s after,
// else once a minute; a pack each ten seconds that have something.
type soaker struct {
	node  *publish.Node
	rng   *rand.Rand
	phase int64 // s into the half hour at the epoch
	from  int64 // Unix s, of the next frame
}

const (
	soakCycle  = 1800 // s
	soakWater  = 240
	soakBrisk  = soakWater + 90
	soakPacing = 10 * time.Second
)

// frame returns what the node measures at Unix second at, if it does then.
func (s *soaker) frame(at int64) (f greywatt.Frame, ok bool) {
	p := (at + s.phase) % soakCycle
	if p >= soakBrisk && p%60 != 0 {
		return f, false
	}
	warm := 1 - math.Exp(-float64(p)/15) // how far from the room's 20 °C to the shower's temperatures
	if p >= soakWater {
		warm = math.Exp(-float64(p-soakWater) / 300)
	}
	f = greywatt.Frame{At: greywatt.Instant(at * 1e6), Node: "n1", Value: greywatt.NoValues()}
	for c, end := range []float64{37, 24.5, 12, 24.5} { // half of what the drain could give is recovered
		f.Value[c] = math.Round(100*(20+warm*(end-20)+0.03*s.rng.NormFloat64())) / 100
	}
	f.Value[greywatt.Flow] = 0
	if p < soakWater {
		f.Value[greywatt.Flow] = math.Round(1e4*0.15*(1+0.01*s.rng.NormFloat64())) / 1e4
	}
	return f, true
}

// run publishes until ctx ends and tells of each acknowledged pack.
func (s *soaker) run(ctx context.Context, acked func(readings int, took time.Duration)) error {
	tick := time.NewTicker(soakPacing)
	defer tick.Stop()
	var readings []greywatt.Reading
	for {
		now := time.Now().Unix()
		for ; s.from <= now; s.from++ {
			if f, ok := s.frame(s.from); ok {
				readings = framefile.AppendReadings(readings, s.node.Topic.Dwelling, &f)
			}
		}
		if len(readings) > 0 {
			pack, err := payload.EncodeJSON(nil, readings)
			if err != nil {
				return err
			}
			t := s.node.Topic
			t.Kind = payload.SenML
			sent := time.Now()
			if err := s.node.Await(s.node.Client.Publish(t.In(s.node.Prefix), 1, false, pack)); err != nil {
				return err
			}
			acked(len(readings), time.Since(sent))
			readings = readings[:0]
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// A soakSample is how the program stands at one moment.
type soakSample struct {
	at               float64 // s since the first
	rss, anonymous   float64 // MiB; anonymous: of that what is no file's
	goroutines       float64
	files            float64 // open
	acked            int64   // readings so far
	packs            int     // since the sample before
	median, p99, max float64 // ms, publish to PUBACK, of those
}

// Logger, broker, store, analysis and page under a steady load, with viewers:
// what was acknowledged is stored, and nothing grows but the store. By default
// it is short and shows only that nothing is grossly wrong;
//
//	go test -run Soak -soak 60m -soak-dwellings 2000 -timeout 80m -v ./cmd/greywatt
//
// is the long one, and its bounds are the promise.
func TestSoak(t *testing.T) {
	if testing.Short() {
		t.Skip("not run with -short: a steady load, for its memory")
	}
	dir := t.TempDir()
	study, data := filepath.Join(dir, "study.toml"), filepath.Join(dir, "data")
	var toml strings.Builder
	toml.WriteString("[study]\nname = \"soak\"\ntimezone = \"UTC\"\n")
	for i := range *soakDwellings {
		fmt.Fprintf(&toml, "[[dwelling]]\nid = \"soak-%04d\"\nconnection = \"A\"\n[dwelling.exchanger]\nrated = [ { flow_l_min = 9.0, effectiveness = 0.5 } ]\n", i)
	}
	if err := os.WriteFile(study, []byte(toml.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	p := startProgram(t, "run", "--study", study, "--data", data, "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0")
	url, next := p.hear(t, `msg=listening broker=(\S+)`, 0)
	page, _ := p.hear(t, `msg=page url=(\S+)`, next)

	var mu sync.Mutex
	var took []time.Duration // since the last sample
	var readings int64
	acked := func(n int, d time.Duration) {
		mu.Lock()
		defer mu.Unlock()
		took = append(took, d)
		readings += int64(n)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var work sync.WaitGroup
	nodes := make([]*publish.Node, *soakDwellings)
	var connecting errgroup.Group
	connecting.SetLimit(100)
	for i := range nodes {
		connecting.Go(func() (err error) {
			nodes[i], err = publish.Connect(url, payload.Topic{Dwelling: fmt.Sprintf("soak-%04d", i), Node: "n1"}, payload.DefaultPrefix)
			return err
		})
	}
	if err := connecting.Wait(); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	for i, n := range nodes {
		rng := rand.New(rand.NewPCG(1, uint64(i)))
		s := &soaker{node: n, rng: rng, phase: rng.Int64N(soakCycle), from: began.Unix()}
		start := time.NewTimer(time.Duration(rng.Int64N(int64(min(soakPacing, *soakFor/4)))))
		work.Go(func() {
			defer n.Client.Disconnect(publish.DisconnectWait)
			select {
			case <-start.C:
			case <-ctx.Done():
				return
			}
			if err := s.run(ctx, acked); err != nil {
				t.Error(err)
			}
		})
	}
	const viewers = 5
	for i := range viewers {
		path := "/stream"
		if i > 0 {
			path = fmt.Sprintf("/dwelling/soak-%04d/stream", i)
		}
		work.Go(func() {
			r, _ := http.NewRequestWithContext(ctx, "GET", page+path, nil)
			resp, err := http.DefaultClient.Do(r)
			if err == nil {
				_, err = io.Copy(io.Discard, resp.Body)
				resp.Body.Close()
			}
			if ctx.Err() == nil {
				t.Errorf("the stream %s ended: %v", path, err)
			}
		})
	}

	every := min(10*time.Second, *soakFor/12)
	var samples []soakSample
	tick := time.NewTicker(every)
	defer tick.Stop()
	t.Logf("%8s %9s %9s %10s %6s %10s %8s %6s %6s %7s", "s", "RSS MiB", "anon MiB", "goroutines", "files", "readings", "packs", "median", "p99", "max ms")
	for time.Since(began) < *soakFor {
		<-tick.C
		for _, path := range []string{"/", "/dwelling/soak-0001"} {
			if status, _ := fetch(t, page+path, ""); status != http.StatusOK {
				t.Errorf("%s: %d", path, status)
			}
		}
		_, metrics := fetch(t, page+"/metrics", "")
		mu.Lock()
		s := soakSample{at: time.Since(began).Seconds(), acked: readings, packs: len(took)}
		slices.Sort(took)
		ms := func(q float64) float64 {
			if len(took) == 0 {
				return 0
			}
			return took[int(q*float64(len(took)-1))].Seconds() * 1000
		}
		s.median, s.p99, s.max = ms(0.5), ms(0.99), ms(1)
		took = took[:0]
		mu.Unlock()
		s.rss, s.anonymous, s.files = procOf(t, p.cmd.Process.Pid)
		s.goroutines = metricOf(t, metrics, "greywatt_goroutines")
		if got := metricOf(t, metrics, "greywatt_viewers"); got != viewers && s.at > 5 {
			t.Errorf("%g viewers, want %d", got, viewers)
		}
		samples = append(samples, s)
		t.Logf("%8.0f %9.1f %9.1f %10.0f %6.0f %10d %8d %6.0f %6.0f %7.0f", s.at, s.rss, s.anonymous, s.goroutines, s.files, s.acked, s.packs, s.median, s.p99, s.max)
	}
	stop()
	work.Wait()
	p.stop(t)

	var kept int64
	for _, n := range stored(t, data) {
		kept += n.Readings
	}
	if kept != readings || readings == 0 {
		t.Errorf("%d readings are stored, %d were acknowledged", kept, readings)
	}
	judgeSoak(t, samples)
}

// judgeSoak holds the second half of a run, when every node has had its water
// and every buffer its size, to the bounds.
func judgeSoak(t *testing.T, samples []soakSample) {
	half := samples[len(samples)/2:]
	column := func(of func(soakSample) float64) (mean, perHour float64) {
		var x, y []float64
		for _, s := range half {
			x, y = append(x, s.at/3600), append(y, of(s))
		}
		return meanAndSlope(x, y)
	}
	first, last := half[0], half[len(half)-1]
	t.Logf("second half, %.0f s: %.0f readings a second acknowledged", last.at-first.at, float64(last.acked-first.acked)/(last.at-first.at))
	for _, c := range []struct {
		name  string
		of    func(soakSample) float64
		most  float64 // of the mean
		slope float64 // of the mean, an hour
	}{
		{"RSS, MiB", func(s soakSample) float64 { return s.rss }, 256 + 0.4*float64(*soakDwellings), 0.25},
		{"anonymous memory, MiB", func(s soakSample) float64 { return s.anonymous }, 256 + 0.4*float64(*soakDwellings), 0.25},
		{"goroutines", func(s soakSample) float64 { return s.goroutines }, 100 + 10*float64(*soakDwellings), 0.02},
		{"open files", func(s soakSample) float64 { return s.files }, 100 + float64(*soakDwellings), 0.02},
		{"publish to PUBACK, median ms", func(s soakSample) float64 { return s.median }, 1000, math.Inf(1)},
		{"publish to PUBACK, 99 %, ms", func(s soakSample) float64 { return s.p99 }, 5000, math.Inf(1)},
	} {
		mean, slope := column(c.of)
		t.Logf("%-30s mean %8.1f, slope %+8.2f an hour", c.name, mean, slope)
		if mean > c.most {
			t.Errorf("%s: mean %.1f, want %.0f at most", c.name, mean, c.most)
		}
		if *soakFor >= 50*time.Minute && slope > c.slope*mean {
			t.Errorf("%s: grows by %.2f an hour at a mean of %.1f", c.name, slope, mean)
		}
	}
}

// meanAndSlope fits a line by least squares.
func meanAndSlope(x, y []float64) (mean, slope float64) {
	var mx float64
	for i := range x {
		mx += x[i] / float64(len(x))
		mean += y[i] / float64(len(x))
	}
	var sxy, sxx float64
	for i := range x {
		sxy += (x[i] - mx) * (y[i] - mean)
		sxx += (x[i] - mx) * (x[i] - mx)
	}
	return mean, sxy / sxx
}

func metricOf(t *testing.T, metrics, name string) float64 {
	t.Helper()
	m := regexp.MustCompile(`(?m)^` + name + ` (\S+)$`).FindStringSubmatch(metrics)
	if m == nil {
		t.Fatalf("no metric %s", name)
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// procOf returns a process's resident memory, the part of it that is no file's,
// both in MiB, and its open files.
func procOf(t *testing.T, pid int) (rss, anonymous, files float64) {
	t.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	kib := func(name string) float64 {
		m := regexp.MustCompile(name + `:\s+(\d+) kB`).FindSubmatch(status)
		if m == nil {
			t.Fatalf("no %s in /proc/%d/status", name, pid)
		}
		v, _ := strconv.ParseFloat(string(m[1]), 64)
		return v / 1024
	}
	open, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		t.Fatal(err)
	}
	return kib("VmRSS"), kib("RssAnon"), float64(len(open))
}
