package broker

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// hook is where mochi-mqtt asks and tells us.
type hook struct {
	mqtt.HookBase
	server *mqtt.Server
	prefix string
	sink   Sink
	others Topics
	users  *Users
	log    *slog.Logger
	// what the sink answers once the logger is stopping; nil: nothing of its own
	stopped error

	mu     sync.Mutex
	ackers map[*mqtt.Client]*acker

	messages, shed, dropped, unwatched, denied, takenOver atomic.Int64
}

func newHook(cfg Config, server *mqtt.Server) *hook {
	return &hook{
		server: server, prefix: cfg.Prefix, sink: cfg.Sink, others: cfg.Others, users: cfg.Users, log: cfg.Log, stopped: cfg.Stopped,
		ackers: make(map[*mqtt.Client]*acker),
	}
}

func (h *hook) ID() string { return "greywatt" }

func (h *hook) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnSessionEstablish, mqtt.OnDisconnect,
		mqtt.OnPublish, mqtt.OnWillSent, mqtt.OnPublishDropped, mqtt.OnSubscribe, mqtt.OnPacketEncode:
		return true
	}
	return false
}

// OnConnectAuthenticate admits a client: with users, by password; and with
// either, only with a will that it could also publish itself, as the server
// sends wills unchecked.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	user := string(cl.Properties.Username)
	deny := func(why string) bool {
		h.denied.Add(1)
		h.log.Warn("connection refused", "client", cl.ID, "user", user, "remote", cl.Net.Remote, "reason", why)
		return false
	}
	if cl.ID == mqtt.InlineClientId {
		return deny("the client id is the broker's own")
	}
	if h.users != nil {
		if !h.users.check(user, pk.Connect.Password) {
			return deny("unknown user or wrong password")
		}
		if old, ok := h.server.Clients.Get(cl.ID); ok && !bytes.Equal(old.Properties.Username, cl.Properties.Username) {
			return deny("the client id belongs to another user's session")
		}
	}
	if pk.Connect.WillFlag && !h.mayPublish(user, pk.Connect.WillTopic) {
		return deny("the last will's topic is not the user's")
	}
	return true
}

// OnACLCheck says whether a client may publish to a topic or subscribe to a
// filter.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	user := string(cl.Properties.Username)
	ok := false
	if write {
		ok = h.mayPublish(user, topic)
	} else {
		ok = h.users == nil || h.users.maySubscribe(user, h.prefix, topic)
	}
	if !ok {
		h.denied.Add(1)
		h.log.Warn("topic refused", "client", cl.ID, "user", user, "topic", topic, "publish", write)
	}
	return ok
}

func (h *hook) mayPublish(user, topic string) bool {
	return h.users == nil || h.users.mayPublish(user, h.prefix, topic) || h.others != nil && h.users.mayPublishOther(user, h.others, topic)
}

// forSink reports whether the sink takes a topic.
func (h *hook) forSink(topic string) bool {
	if _, ok := nodeTopic(h.prefix, topic); ok {
		return true
	}
	if h.others == nil {
		return false
	}
	_, _, ok := h.others.Owner(topic)
	return ok
}

func (h *hook) OnSessionEstablish(cl *mqtt.Client, _ packets.Packet) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ackers[cl] = &acker{cl: cl}
}

func (h *hook) OnDisconnect(cl *mqtt.Client, err error, _ bool) {
	h.mu.Lock()
	delete(h.ackers, cl)
	h.mu.Unlock()
	switch {
	case errors.Is(cl.StopCause(), packets.ErrSessionTakenOver):
		h.takenOver.Add(1)
		h.log.Warn("a second connection came with the same client id and displaced this one; give every node its own", "client", cl.ID, "remote", cl.Net.Remote)
	case errors.Is(err, packets.ErrPacketTooLarge):
		h.log.Warn("packet too large: let the node send smaller packs", "client", cl.ID, "limit_bytes", h.Opts.Capabilities.MaximumPacketSize)
	default:
		h.log.Debug("disconnected", "client", cl.ID, "remote", cl.Net.Remote, "error", err)
	}
}

// OnPublish hands a node's message to the sink. The answer "rejected" keeps
// the server from acknowledging it: that is ours to do, later.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	if !h.forSink(pk.TopicName) {
		return pk, nil
	}
	qos := pk.FixedHeader.Qos
	safe := func() {}
	if qos > 0 {
		a, reply := h.acker(cl), ack{kind: packets.Puback, id: pk.PacketID}
		if qos == 2 {
			reply.kind = packets.Pubrec
		}
		safe = func() { a.send(reply) }
	}
	err := h.sink.Offer(pk.TopicName, pk.Payload, safe)
	switch {
	case err == nil:
		h.messages.Add(1)
		h.relay(pk)
	case qos == 0:
		h.dropped.Add(1)
	default:
		// Without its PUBACK a client sends a message again only after it has
		// reconnected, so make it.
		h.shed.Add(1)
		h.log.Warn("message not taken, its sender is to come again", "client", cl.ID, "error", err)
		cl.Stop(packets.ErrServerBusy)
	}
	return pk, packets.ErrRejectPacket
}

// relay passes a node's message to those who subscribe to it.
func (h *hook) relay(pk packets.Packet) {
	if err := h.server.Publish(pk.TopicName, pk.Payload, pk.FixedHeader.Retain, pk.FixedHeader.Qos); err != nil {
		h.log.Warn("message not passed to subscribers", "topic", pk.TopicName, "error", err)
	}
}

// OnWillSent takes the last will of a node that went silent. Nobody waits for
// an acknowledgement of it.
func (h *hook) OnWillSent(cl *mqtt.Client, pk packets.Packet) {
	if !h.forSink(pk.TopicName) {
		return
	}
	if err := h.sink.Offer(pk.TopicName, pk.Payload, func() {}); err != nil {
		h.dropped.Add(1)
		level := slog.LevelWarn // the node stays up in the books until it is heard of again
		if h.stopped != nil && errors.Is(err, h.stopped) {
			level = slog.LevelDebug // all nodes are cut off then: it says nothing of this one
		}
		h.log.Log(context.Background(), level, "last will not taken", "client", cl.ID, "error", err)
	}
}

func (h *hook) OnPublishDropped(*mqtt.Client, packets.Packet) { h.unwatched.Add(1) }

// OnSubscribe and OnPacketEncode correct a fault of the server: it takes a
// SUBSCRIBE's packet id for one of its own messages under way to the client,
// and then refuses the subscription. It sees the id 0 instead, which no message
// has; the goroutine that reads the client's packets does both in turn.
func (h *hook) OnSubscribe(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	if !cl.Net.Inline {
		h.acker(cl).subscribeID, pk.PacketID = pk.PacketID, 0
	}
	return pk
}

func (h *hook) OnPacketEncode(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	if pk.FixedHeader.Type == packets.Suback && pk.PacketID == 0 {
		pk.PacketID = h.acker(cl).subscribeID
	}
	return pk
}

func (h *hook) acker(cl *mqtt.Client) *acker {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.ackers[cl]
}

// flush waits until the acknowledgements given out are written, at most d.
func (h *hook) flush(d time.Duration) {
	timeout := time.After(d)
	h.mu.Lock()
	all := make([]*acker, 0, len(h.ackers))
	for _, a := range h.ackers {
		all = append(all, a)
	}
	h.mu.Unlock()
	for _, a := range all {
		select {
		case <-a.idle():
		case <-timeout:
			return
		}
	}
}

// An acker writes the acknowledgements of one connection in order, in a
// goroutine of its own while there are any, so that a client that does not
// read holds up nobody else.
type acker struct {
	cl          *mqtt.Client
	subscribeID uint16 // of the SUBSCRIBE at hand; the reading goroutine's own

	mu   sync.Mutex
	acks []ack
	done chan struct{} // closed when the goroutine ends; nil while there is none
}

type ack struct {
	kind byte // packets.Puback or, for QoS 2, packets.Pubrec
	id   uint16
}

func (a *acker) send(r ack) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.acks = append(a.acks, r)
	if a.done == nil {
		a.done = make(chan struct{})
		go a.drain()
	}
}

func (a *acker) drain() {
	for {
		a.mu.Lock()
		acks := a.acks
		a.acks = nil
		if len(acks) == 0 {
			close(a.done)
			a.done = nil
			a.mu.Unlock()
			return
		}
		a.mu.Unlock()
		for _, r := range acks {
			pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: r.kind}, PacketID: r.id}
			if r.kind == packets.Pubrec {
				a.cl.State.Inflight.Set(pk) // answers the PUBREL
			}
			// On a lost connection the node sends the message again on the next.
			_ = a.cl.WritePacket(pk)
		}
	}
}

// idle returns a channel that is closed once nothing is left to write.
func (a *acker) idle() <-chan struct{} {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.done != nil {
		return a.done
	}
	idle := make(chan struct{})
	close(idle)
	return idle
}
