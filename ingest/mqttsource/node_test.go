package mqttsource_test

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A node publishes as a field node does: QoS 1, a few messages under way at a
// time, each kept until it is acknowledged. It is leaner than a full client, so
// that a benchmark measures the logger.
type node struct {
	conn   net.Conn
	window chan struct{} // a token for each message under way
	ended  chan struct{} // closed when the connection has ended

	mu      sync.Mutex
	lastID  uint16
	waiting map[uint16]func() // called when acknowledged
	w       *bufio.Writer
	err     error
}

const nodeTimeout = 10 * time.Second

// dialNode connects to tcp://HOST:PORT.
func dialNode(url, id string, window int) (*node, error) {
	conn, err := net.DialTimeout("tcp", strings.TrimPrefix(url, "tcp://"), nodeTimeout)
	if err != nil {
		return nil, err
	}
	n := &node{
		conn: conn, window: make(chan struct{}, window), ended: make(chan struct{}),
		waiting: make(map[uint16]func()), w: bufio.NewWriterSize(conn, 64<<10),
	}
	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion = "MQTT", 4
	hello.ClientIdentifier = id
	hello.CleanSession = true
	hello.Keepalive = 60
	conn.SetDeadline(time.Now().Add(nodeTimeout))
	r := bufio.NewReaderSize(conn, 64<<10)
	err = hello.Write(conn)
	if err == nil {
		var answer packets.ControlPacket
		answer, err = packets.ReadPacket(r)
		if ack, ok := answer.(*packets.ConnackPacket); err == nil && (!ok || ack.ReturnCode != packets.Accepted) {
			err = fmt.Errorf("connection refused: %v", answer)
		}
	}
	if err != nil {
		conn.Close()
		return nil, err
	}
	conn.SetDeadline(time.Time{})
	go n.read(r)
	return n, nil
}

func (n *node) read(r *bufio.Reader) {
	defer close(n.ended)
	for {
		p, err := packets.ReadPacket(r)
		if err != nil {
			n.mu.Lock()
			n.err = err
			n.mu.Unlock()
			return
		}
		ack, ok := p.(*packets.PubackPacket)
		if !ok {
			continue
		}
		n.mu.Lock()
		acked, ok := n.waiting[ack.MessageID]
		delete(n.waiting, ack.MessageID)
		n.mu.Unlock()
		if ok {
			acked()
			<-n.window
		}
	}
}

// publish sends a message once there is room in the window; acked is called
// when its PUBACK comes, from another goroutine. A nil acked sends with QoS 0.
func (n *node) publish(topic string, body []byte, retain bool, acked func()) error {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload, p.Retain = topic, body, retain
	if acked != nil {
		select {
		case n.window <- struct{}{}:
		default:
			// Nothing more may go out before something is acknowledged.
			if err := n.flush(); err != nil {
				return err
			}
			select {
			case n.window <- struct{}{}:
			case <-n.ended:
				return n.failure()
			}
		}
		p.Qos = 1
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if acked != nil {
		for p.MessageID == 0 || n.waiting[p.MessageID] != nil {
			n.lastID++
			p.MessageID = n.lastID
		}
		n.waiting[p.MessageID] = acked
	}
	return p.Write(n.w)
}

func (n *node) flush() error {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.w.Flush()
}

func (n *node) failure() error {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.err
}

func (n *node) close() {
	n.conn.Close()
	<-n.ended
}

// A parcel is a message that a node wants to see acknowledged.
type parcel struct {
	topic  string
	body   []byte
	retain bool
}

// deliver publishes parcels in order until each is acknowledged, over as many
// connections as it takes, and gives up at the deadline. acked is called for
// each, perhaps from different goroutines, one at a time.
func deliver(url, id string, window int, parcels []parcel, deadline time.Time, acked func(i int)) error {
	var mu sync.Mutex
	done := make([]bool, len(parcels))
	left := len(parcels)
	var last error
	for time.Now().Before(deadline) {
		n, err := dialNode(url, id, window)
		if err != nil {
			last = err
			pause(20 * time.Millisecond) // the broker is not up
			continue
		}
		allAcked := make(chan struct{})
		mu.Lock()
		var todo []int
		for i := range parcels {
			if !done[i] {
				todo = append(todo, i)
			}
		}
		mu.Unlock()
		for _, i := range todo {
			err = n.publish(parcels[i].topic, parcels[i].body, parcels[i].retain, func() {
				mu.Lock()
				defer mu.Unlock()
				if done[i] {
					return
				}
				done[i] = true
				if acked != nil {
					acked(i)
				}
				if left--; left == 0 {
					close(allAcked)
				}
			})
			if err != nil {
				break
			}
		}
		err = errors.Join(err, n.flush())
		timeout := time.NewTimer(time.Until(deadline))
		select {
		case <-allAcked:
			n.close()
			return nil
		case <-n.ended:
		case <-timeout.C:
		}
		timeout.Stop()
		n.close()
		last = errors.Join(err, n.failure())
	}
	mu.Lock()
	defer mu.Unlock()
	return fmt.Errorf("%d of %d messages not acknowledged: %w", left, len(parcels), last)
}

// pause is the wait of a node between attempts to connect.
func pause(d time.Duration) { <-time.After(d) }

// frame returns the parcel as an MQTT packet.
func (p parcel) frame() []byte {
	m := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	m.TopicName, m.Payload, m.Qos, m.MessageID = p.topic, p.body, 1, 1
	var b bytes.Buffer
	m.Write(&b)
	return b.Bytes()
}
