package main

import (
	"context"
	"fmt"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/ingest/payload"
)

// A simulated node publishes packs of packFrames frames and has at most
// packsUnderWay of them unacknowledged.
const (
	packFrames    = 60
	packsUnderWay = 32
	ackTimeout    = time.Minute

	disconnectWait = 5000 // ms at most; it returns when the goodbye is sent
)

// publishHouse lets the nodes of a house publish all that they measure, as fast
// as it is acknowledged. It calls day at the end of each simulated day.
func publishHouse(ctx context.Context, url, prefix string, h *simulate.House, day func()) error {
	nodes := map[string]*node{}
	defer func() {
		for _, n := range nodes {
			n.client.Disconnect(disconnectWait)
		}
	}()
	start, _ := h.Span()
	days := 0
	for frame := range h.Frames(nil) {
		if err := ctx.Err(); err != nil {
			return err
		}
		for ; days < int(frame.At.Sub(start)/86400); days++ {
			day()
		}
		n := nodes[frame.Node]
		if n == nil {
			var err error
			if n, err = connectNode(url, payload.Topic{Dwelling: h.Dwelling.ID, Node: frame.Node}, prefix); err != nil {
				return err
			}
			nodes[frame.Node] = n
		}
		if err := n.take(&frame); err != nil {
			return err
		}
	}
	for _, n := range nodes {
		if err := n.finish(); err != nil {
			return err
		}
	}
	for ; days < h.Days; days++ {
		day()
	}
	return nil
}

// A node is a simulated node's connection.
type node struct {
	client   mqtt.Client
	topic    payload.Topic
	prefix   string
	frames   int
	readings []greywatt.Reading
	underWay []mqtt.Token // oldest first
}

func connectNode(url string, t payload.Topic, prefix string) (*node, error) {
	t.Kind = payload.Presence
	options := mqtt.NewClientOptions().
		AddBroker(url).
		SetClientID("node-"+t.Dwelling+"-"+t.Node).
		SetConnectTimeout(ackTimeout).
		SetWriteTimeout(ackTimeout).
		SetAutoReconnect(false).
		SetWill(t.In(prefix), "down", 1, true)
	n := &node{client: mqtt.NewClient(options), topic: t, prefix: prefix}
	if err := n.await(n.client.Connect()); err != nil {
		return nil, err
	}
	return n, n.await(n.client.Publish(t.In(prefix), 1, true, "up"))
}

func (n *node) take(f *greywatt.Frame) error {
	n.readings = framefile.AppendReadings(n.readings, n.topic.Dwelling, f)
	if n.frames++; n.frames < packFrames {
		return nil
	}
	return n.publish()
}

func (n *node) publish() error {
	if len(n.readings) == 0 {
		return nil
	}
	pack, err := payload.EncodeJSON(nil, n.readings)
	if err != nil {
		return err
	}
	n.frames, n.readings = 0, n.readings[:0]
	n.topic.Kind = payload.SenML
	n.underWay = append(n.underWay, n.client.Publish(n.topic.In(n.prefix), 1, false, pack))
	if len(n.underWay) <= packsUnderWay {
		return nil
	}
	return n.awaitOldest()
}

func (n *node) awaitOldest() error {
	t := n.underWay[0]
	n.underWay = n.underWay[1:]
	return n.await(t)
}

// await waits for an acknowledgement: of a pack, that it is on disk.
func (n *node) await(t mqtt.Token) error {
	if !t.WaitTimeout(ackTimeout) {
		return fmt.Errorf("node %s/%s: no acknowledgement within %s", n.topic.Dwelling, n.topic.Node, ackTimeout)
	}
	if err := t.Error(); err != nil {
		return fmt.Errorf("node %s/%s: %w", n.topic.Dwelling, n.topic.Node, err)
	}
	return nil
}

// finish publishes what is left and waits until all is acknowledged.
func (n *node) finish() error {
	if err := n.publish(); err != nil {
		return err
	}
	for len(n.underWay) > 0 {
		if err := n.awaitOldest(); err != nil {
			return err
		}
	}
	n.topic.Kind = payload.Presence
	return n.await(n.client.Publish(n.topic.In(n.prefix), 1, true, "down"))
}
