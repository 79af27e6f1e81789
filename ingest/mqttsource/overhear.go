package mqttsource

import (
	"cmp"
	"context"
	"errors"
	"time"
)

// Overhear subscribes to filters at a broker and calls take with each message,
// one at a time, until ctx ends; then it returns nil. The broker keeps no
// session of it: what was not heard is not sent later.
func Overhear(ctx context.Context, cfg Config, filters []string, take func(topic string, body []byte, retained bool)) error {
	cfg.KeepAlive = cmp.Or(cfg.KeepAlive, 30*time.Second)
	cfg.Timeout = cmp.Or(cfg.Timeout, 15*time.Second)
	cfg.overhears = true
	u, err := parseBroker(cfg.Broker)
	if err != nil {
		return err
	}
	c := newPaho(cfg, u)
	defer c.close()
	lost, err := c.connect(ctx, func(m message) {
		take(m.Topic(), m.Payload(), m.Retained())
		m.Ack()
	})
	if err == nil {
		err = c.subscribe(ctx, filters)
	}
	switch {
	case errors.Is(err, context.Canceled):
		return nil // perhaps before the broker confirmed the subscription, but after its first messages
	case errors.Is(err, context.DeadlineExceeded):
		return errors.New("the broker did not answer in time")
	case err != nil:
		return err
	}
	select {
	case err := <-lost:
		return err
	case <-ctx.Done():
		return nil
	}
}
