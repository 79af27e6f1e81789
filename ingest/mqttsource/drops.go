package mqttsource

import (
	"strconv"
	"time"
)

// dropsTopic is where Mosquitto, and brokers that follow it, publish how many messages they have
// dropped since their start because a client's queue was full: mosquitto(8), under "Broker Status".
const dropsTopic = "$SYS/broker/publish/messages/dropped"

// dropsEvery is the least time between two warnings of drops.
const dropsEvery = time.Minute

// A dropCounter follows a broker's count of dropped messages. The zero value has seen none.
type dropCounter struct {
	last   int64     // as the broker said it
	total  int64     // dropped since the logger's start, and before it as far as the broker counts
	untold int64     // dropped since the last warning
	warned time.Time // of that; zero: never
}

// see takes the broker's count and returns how many to warn of now, 0 for none. What was dropped
// before the first count is told too: the logger may have been away. A count below the last is that
// of a broker that has started again.
func (d *dropCounter) see(text string, now time.Time) (warn int64) {
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 0 {
		return 0
	}
	more := n
	if n >= d.last {
		more -= d.last
	}
	d.last = n
	d.total += more
	d.untold += more
	if d.untold == 0 || !d.warned.IsZero() && now.Sub(d.warned) < dropsEvery {
		return 0
	}
	warn, d.untold, d.warned = d.untold, 0, now
	return warn
}

// brokerDropped takes the broker's count of dropped messages.
func (s *Source) brokerDropped(text string) {
	s.mu.Lock()
	n := s.drops.see(text, time.Now())
	s.status.BrokerDropped = s.drops.total
	s.mu.Unlock()
	if n > 0 {
		s.cfg.Logger.Warn("the broker has dropped messages because a client's queue was full: those that were for this logger are lost, though acknowledged; see greywatt help run for its settings",
			"broker", s.status.Broker, "messages", n)
	}
}
