// Package publish plays the nodes of simulated houses: it publishes their
// readings over MQTT.
package publish

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
	PacksUnderWay = 32
	AckTimeout    = time.Minute

	DisconnectWait = 5000 // ms at most; it returns when the goodbye is sent
)

// House lets the nodes of a house publish all that they measure, as fast
// as it is acknowledged. It calls day at the end of each simulated day.
func House(ctx context.Context, url, prefix string, h *simulate.House, day func()) error {
	nodes := map[string]*Node{}
	defer func() {
		for _, n := range nodes {
			n.Client.Disconnect(DisconnectWait)
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
			if n, err = Connect(url, payload.Topic{Dwelling: h.Dwelling.ID, Node: frame.Node}, prefix); err != nil {
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

// A Node is a simulated node's connection.
type Node struct {
	Client   mqtt.Client
	Topic    payload.Topic
	Prefix   string
	frames   int
	Readings []greywatt.Reading
	UnderWay []mqtt.Token // oldest first
}

func Connect(url string, t payload.Topic, prefix string) (*Node, error) {
	t.Kind = payload.Presence
	options := mqtt.NewClientOptions().
		AddBroker(url).
		SetClientID("node-"+t.Dwelling+"-"+t.Node).
		SetConnectTimeout(AckTimeout).
		SetWriteTimeout(AckTimeout).
		SetAutoReconnect(false).
		SetWill(t.In(prefix), "down", 1, true)
	n := &Node{Client: mqtt.NewClient(options), Topic: t, Prefix: prefix}
	if err := n.Await(n.Client.Connect()); err != nil {
		return nil, err
	}
	return n, n.Await(n.Client.Publish(t.In(prefix), 1, true, "up"))
}

func (n *Node) take(f *greywatt.Frame) error {
	n.Readings = framefile.AppendReadings(n.Readings, n.Topic.Dwelling, f)
	if n.frames++; n.frames < packFrames {
		return nil
	}
	return n.Publish()
}

func (n *Node) Publish() error {
	if len(n.Readings) == 0 {
		return nil
	}
	pack, err := payload.EncodeJSON(nil, n.Readings)
	if err != nil {
		return err
	}
	n.frames, n.Readings = 0, n.Readings[:0]
	n.Topic.Kind = payload.SenML
	n.UnderWay = append(n.UnderWay, n.Client.Publish(n.Topic.In(n.Prefix), 1, false, pack))
	if len(n.UnderWay) <= PacksUnderWay {
		return nil
	}
	return n.AwaitOldest()
}

func (n *Node) AwaitOldest() error {
	t := n.UnderWay[0]
	n.UnderWay = n.UnderWay[1:]
	return n.Await(t)
}

// Await waits for an acknowledgement: of a pack, that it is on disk.
func (n *Node) Await(t mqtt.Token) error {
	if !t.WaitTimeout(AckTimeout) {
		return fmt.Errorf("node %s/%s: no acknowledgement within %s", n.Topic.Dwelling, n.Topic.Node, AckTimeout)
	}
	if err := t.Error(); err != nil {
		return fmt.Errorf("node %s/%s: %w", n.Topic.Dwelling, n.Topic.Node, err)
	}
	return nil
}

// finish publishes what is left and waits until all is acknowledged.
func (n *Node) finish() error {
	if err := n.Publish(); err != nil {
		return err
	}
	for len(n.UnderWay) > 0 {
		if err := n.AwaitOldest(); err != nil {
			return err
		}
	}
	n.Topic.Kind = payload.Presence
	return n.Await(n.Client.Publish(n.Topic.In(n.Prefix), 1, true, "down"))
}
