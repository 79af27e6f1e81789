package broker

import (
	"sync"
	"testing"
	"time"
)

// Clients that leave by themselves while the broker closes must not hold it up:
// the library's own list of a listener's clients can wait for them, and they for it.
func TestCloseWhileClientsLeave(t *testing.T) {
	for range 1000 {
		b := listen(t, Config{Sink: newSink()})
		var leaving sync.WaitGroup
		start := make(chan struct{})
		for i := range 12 {
			c := connect(t, options(b, string(rune('a'+i))))
			leaving.Go(func() {
				<-start
				c.Disconnect(0)
			})
		}
		closed := make(chan error, 1)
		go func() {
			<-start
			closed <- b.Close()
		}()
		close(start)
		select {
		case err := <-closed:
			if err != nil {
				t.Fatal(err)
			}
		case <-time.After(30 * time.Second):
			t.Fatal("the broker does not close")
		}
		leaving.Wait()
	}
}
