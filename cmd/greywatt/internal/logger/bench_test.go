package logger

import (
	"context"
	"fmt"
	"sync"
	"testing"
)

// JSON by a recipe, 50 samples a message, decoded and committed to disk as
// [mqttsource.Committer] does it; each message is acknowledged before the end.
func BenchmarkRecipeJSON(b *testing.B) {
	l, closeStore := newLogger(b, b.TempDir())
	defer closeStore()
	ctx, cancel := context.WithCancel(b.Context())
	done := make(chan error, 1)
	go func() { done <- l.Committer.Run(ctx) }()
	var safe sync.WaitGroup
	const samples = 50
	second := 1768199400
	for b.Loop() {
		body := []byte(`{"s":[`)
		for i := range samples {
			if i > 0 {
				body = append(body, ',')
			}
			body = fmt.Appendf(body, `{"t":%d,"w":%d.25,"pulses":%d}`, second, 20+i%20, second%100_000)
			second++
		}
		body = append(body, `]}`...)
		safe.Add(1)
		if err := l.Committer.Offer("flats/larch-04/box-2/state", body, safe.Done); err != nil { // it waits for room
			b.Fatal(err)
		}
	}
	safe.Wait()
	b.ReportMetric(float64(b.N*samples*2)/b.Elapsed().Seconds(), "readings/s")
	cancel()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
}
