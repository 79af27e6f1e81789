package broker

import (
	"strings"
	"sync/atomic"

	"github.com/mochi-mqtt/server/v2/packets"
)

// The server would keep up to a thousand packets for each subscriber, copied,
// however large. Here what waits for subscribers is bounded in bytes, and only
// those who are connected get any.
const (
	subscriberBytes = 8 << 20  // waiting for one
	relayBytes      = 32 << 20 // waiting for all
	maxUnanswered   = 256      // messages sent to one that it has not acknowledged; the rest waits
	messageOverhead = 512      // bytes a message takes beside topic and payload
	maxRetained     = 4 << 10  // bytes of a retained message
	mostRetained    = 2 * maxClients
)

// relay passes a message to those who subscribe to it.
func (h *hook) relay(pk packets.Packet) {
	if pk.FixedHeader.Retain {
		h.retain(pk)
	}
	subscribers := h.server.Topics.Subscribers(pk.TopicName)
	if len(subscribers.Shared) > 0 {
		subscribers.SelectShared()
		subscribers.MergeSharedSelected()
	}
	for id, sub := range subscribers.Subscriptions {
		cl, ok := h.server.Clients.Get(id)
		if !ok || cl.Closed() || sub.NoLocal && pk.Origin == id {
			continue
		}
		if u := h.users.Load(); u != nil && !u.maySubscribe(string(cl.Properties.Username), h.prefix, pk.TopicName) {
			continue
		}
		out := packets.Packet{
			FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: min(pk.FixedHeader.Qos, sub.Qos), Retain: pk.FixedHeader.Retain && sub.RetainAsPublished},
			TopicName:   pk.TopicName, Payload: pk.Payload, Origin: pk.Origin, Created: pk.Created,
		}
		for _, n := range sub.Identifiers {
			out.Properties.SubscriptionIdentifier = append(out.Properties.SubscriptionIdentifier, n)
		}
		if a := h.acker(cl); a != nil && !a.pass(out) {
			h.unwatched.Add(1)
		}
	}
}

// retain keeps a message for later subscribers: a node's presence, and what is
// small. Readings are in the store.
func (h *hook) retain(pk packets.Packet) {
	_, old := h.server.Topics.Retained.Get(pk.TopicName)
	_, node := nodeTopic(h.prefix, pk.TopicName)
	if node && !strings.HasSuffix(pk.TopicName, "/presence") || len(pk.Payload) > maxRetained || !old && h.server.Topics.Retained.Len() >= mostRetained {
		return
	}
	h.server.Topics.RetainMessage(pk.Copy(false))
}

// A budget is bytes that many share.
type budget struct {
	limit int64
	used  atomic.Int64
}

func (b *budget) take(n int) bool {
	if b.used.Add(int64(n)) > b.limit {
		b.used.Add(-int64(n))
		return false
	}
	return true
}

func (b *budget) give(n int) { b.used.Add(-int64(n)) }

// window returns how many messages may be under way to the client.
func (a *acker) window() int {
	if n := int(a.cl.Properties.Props.ReceiveMaximum); n > 0 {
		return min(n, maxUnanswered)
	}
	return maxUnanswered
}

// pass queues a message for the client, or returns false where it has too much
// waiting already.
func (a *acker) pass(out packets.Packet) bool {
	n := len(out.TopicName) + len(out.Payload) + messageOverhead
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.gone || a.waiting+n > subscriberBytes || !a.relayed.take(n) {
		return false
	}
	a.waiting += n
	a.messages = append(a.messages, out)
	a.start()
	return true
}

// write sends a message, and gives back what it took unless it is to be
// acknowledged.
func (a *acker) write(out packets.Packet) {
	n := len(out.TopicName) + len(out.Payload) + messageOverhead
	if out.FixedHeader.Qos > 0 {
		id, err := a.cl.NextPacketID()
		if err == nil {
			out.PacketID = uint16(id)
			a.mu.Lock()
			a.unanswered[out.PacketID] = n
			a.mu.Unlock()
			a.cl.State.Inflight.Set(out)
			_ = a.cl.WritePacket(out) // on a lost connection the session is over
			return
		}
	} else {
		_ = a.cl.WritePacket(out)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.free(n)
}

// answered notes that the client has acknowledged a message.
func (a *acker) answered(id uint16) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if n, ok := a.unanswered[id]; ok {
		delete(a.unanswered, id)
		a.free(n)
		if len(a.messages) > 0 {
			a.start()
		}
	}
}

// free gives bytes back. The caller holds a.mu.
func (a *acker) free(n int) {
	n = min(n, a.waiting) // nothing is left once the client is gone
	a.waiting -= n
	a.relayed.give(n)
}

// end gives back all that waits for a client that is gone.
func (a *acker) end() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.gone = true
	a.messages, a.unanswered = nil, make(map[uint16]int)
	a.free(a.waiting)
}
