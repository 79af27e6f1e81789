package broker

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// hook is where mochi-mqtt asks and tells us.
type hook struct {
	mqtt.HookBase
	server    *mqtt.Server
	prefix    string
	sink      Sink
	others    Topics
	unclaimed func(topic string, body []byte)
	users     atomic.Pointer[Users] // nil: anyone
	gate      *gate
	log       *slog.Logger
	tell      *teller
	// what the sink answers once the logger is stopping; nil: nothing of its own
	stopped error

	mu     sync.Mutex
	ackers map[*mqtt.Client]*acker

	relayed budget // bytes that wait for subscribers

	messages, shed, dropped, unwatched, denied, takenOver atomic.Int64
}

func newHook(cfg Config, server *mqtt.Server) *hook {
	h := &hook{
		server: server, prefix: cfg.Prefix, sink: cfg.Sink, others: cfg.Others, unclaimed: cfg.Unclaimed, log: cfg.Log, tell: newTeller(cfg.Log), stopped: cfg.Stopped,
		gate: newGate(), ackers: make(map[*mqtt.Client]*acker),
	}
	h.relayed.limit = relayBytes
	h.users.Store(cfg.Users)
	return h
}

func (h *hook) ID() string { return "greywatt" }

func (h *hook) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnSessionEstablish, mqtt.OnDisconnect,
		mqtt.OnPublish, mqtt.OnWillSent, mqtt.OnQosComplete, mqtt.OnQosDropped, mqtt.OnPublishDropped, mqtt.OnSubscribe, mqtt.OnPacketEncode:
		return true
	}
	return false
}

// OnConnectAuthenticate admits a client: with users, by password; and with
// either, only with a will that it could also publish itself, as the server
// sends wills unchecked.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	user := string(cl.Properties.Username)
	deny := func(why error) bool {
		h.denied.Add(1)
		h.tell.warn("connection refused", "reason", why, "client", cl.ID, "user", user, "remote", cl.Net.Remote)
		return false
	}
	g, guarded := cl.Net.Conn.(*guard)
	switch {
	case cl.ID == mqtt.InlineClientId:
		return deny(errors.New("the client id is the broker's own"))
	case len(cl.ID) > maxClientID:
		return deny(fmt.Errorf("the client id has %d bytes, at most %d are taken", len(cl.ID), maxClientID))
	}
	if u := h.users.Load(); u != nil {
		alive, from := func() bool { return true }, netip.Addr{}
		if guarded {
			alive, from = g.alive, g.from
		}
		if err := h.gate.admit(u, from, user, pk.Connect.Password, alive); err != nil {
			if err != errWrong {
				cl.Stop(packets.ErrServerBusy) // no answer: a node that is told its password is wrong may give up
			}
			return deny(err)
		}
		if old, ok := h.server.Clients.Get(cl.ID); ok && !bytes.Equal(old.Properties.Username, cl.Properties.Username) {
			return deny(errors.New("the client id belongs to another user's session"))
		}
	}
	if pk.Connect.WillFlag && !h.mayPublish(user, pk.Connect.WillTopic) {
		return deny(errors.New("the last will's topic is not the user's"))
	}
	if guarded {
		if h.users.Load() == nil {
			user = ""
		}
		g.introduced(user)
	}
	// A session ends with its connection, and so does the delay of a will (MQTT 5
	// section 3.1.3.2.2). The server tells a client of MQTT 5 so in its CONNACK.
	cl.Properties.Clean, cl.Properties.Will.WillDelayInterval = true, 0
	return true
}

// maxClientID is more than any node needs; MQTT 3.1.1 section 3.1.3.1 asks for 23.
const maxClientID = 256

// OnACLCheck says whether a client may publish to a topic or subscribe to a
// filter.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	user := string(cl.Properties.Username)
	ok := false
	if write {
		ok = h.mayPublish(user, topic)
	} else {
		u := h.users.Load()
		ok = (u == nil || u.maySubscribe(user, h.prefix, topic)) && len(topic) <= maxFilter && len(cl.State.Subscriptions.GetAll()) < maxSubscriptions
	}
	if !ok {
		h.denied.Add(1)
		h.tell.warn("topic refused", "client", cl.ID, "user", user, "topic", topic, "publish", write)
	}
	return ok
}

// What one client may subscribe to: this many filters of this many bytes.
const (
	maxSubscriptions = 64
	maxFilter        = 512
)

func (h *hook) mayPublish(user, topic string) bool {
	u := h.users.Load()
	return u == nil || u.mayPublish(user, h.prefix, topic) || h.others != nil && u.mayPublishOther(user, h.others, topic)
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
	h.ackers[cl] = &acker{cl: cl, relayed: &h.relayed, unanswered: make(map[uint16]int)}
}

func (h *hook) OnDisconnect(cl *mqtt.Client, err error, _ bool) {
	if g, ok := cl.Net.Conn.(*guard); ok {
		g.end()
	}
	h.mu.Lock()
	a := h.ackers[cl]
	delete(h.ackers, cl)
	h.mu.Unlock()
	if a != nil {
		a.end()
	}
	switch {
	case errors.Is(cl.StopCause(), packets.ErrSessionTakenOver):
		h.takenOver.Add(1)
		h.tell.warn("a second connection came with the same client id and displaced this one; give every node its own", "client", cl.ID, "remote", cl.Net.Remote)
	case errors.Is(err, packets.ErrPacketTooLarge):
		h.tell.warn("packet too large: let the node send smaller packs", "client", cl.ID, "limit_bytes", h.Opts.Capabilities.MaximumPacketSize)
	default:
		h.log.Debug("disconnected", "client", cl.ID, "remote", cl.Net.Remote, "error", err)
	}
}

// OnPublish hands a node's message to the sink. The answer "rejected" keeps
// the server from acknowledging it and from passing it on: both are ours to do.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	qos := pk.FixedHeader.Qos
	safe := func() {}
	if qos > 0 {
		a, reply := h.acker(cl), ack{kind: packets.Puback, id: pk.PacketID}
		if qos == 2 {
			reply.kind = packets.Pubrec
			if cl.State.Inflight.Len() >= maxUnreleased {
				cl.Stop(packets.ErrReceiveMaximum)
				return pk, packets.ErrRejectPacket
			}
		}
		safe = func() { a.send(reply) }
	}
	if !h.forSink(pk.TopicName) {
		if h.unclaimed != nil {
			h.unclaimed(pk.TopicName, pk.Payload)
		}
		h.relay(pk)
		safe()
		return pk, packets.ErrRejectPacket
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
		h.tell.warn("message not taken, its sender is to come again", "client", cl.ID, "error", err)
		cl.Stop(packets.ErrServerBusy)
	}
	return pk, packets.ErrRejectPacket
}

// maxUnreleased bounds the messages of QoS 2 that a client has begun.
const maxUnreleased = 1024

// OnQosComplete and OnQosDropped tell that a subscriber has a message, or never will.
func (h *hook) OnQosComplete(cl *mqtt.Client, pk packets.Packet) {
	if a := h.acker(cl); a != nil {
		a.answered(pk.PacketID)
	}
}

func (h *hook) OnQosDropped(cl *mqtt.Client, pk packets.Packet) { h.OnQosComplete(cl, pk) }

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
		if level == slog.LevelWarn {
			h.tell.warn("last will not taken", "client", cl.ID, "error", err)
		} else {
			h.log.Debug("last will not taken", "client", cl.ID, "error", err)
		}
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

// An acker writes the acknowledgements of one connection in order, and what the
// client subscribes to, in a goroutine of its own while there are any, so that
// a client that does not read holds up nobody else.
type acker struct {
	cl          *mqtt.Client
	subscribeID uint16 // of the SUBSCRIBE at hand; the reading goroutine's own

	relayed *budget

	mu         sync.Mutex
	acks       []ack
	messages   []packets.Packet // to be passed on to it
	waiting    int              // bytes of these, and of those it has not answered
	unanswered map[uint16]int   // bytes, by packet id
	gone       bool
	done       chan struct{} // closed when the goroutine ends; nil while there is none
}

type ack struct {
	kind byte // packets.Puback or, for QoS 2, packets.Pubrec
	id   uint16
}

func (a *acker) send(r ack) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.acks = append(a.acks, r)
	a.start()
}

// start sees to it that what waits is written. The caller holds a.mu.
func (a *acker) start() {
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
		var message *packets.Packet
		if len(acks) == 0 && len(a.messages) > 0 && (a.messages[0].FixedHeader.Qos == 0 || len(a.unanswered) < a.window()) {
			message = &a.messages[0]
			a.messages = a.messages[1:]
		}
		if len(acks) == 0 && message == nil {
			close(a.done)
			a.done = nil
			a.mu.Unlock()
			return
		}
		a.mu.Unlock()
		if message != nil {
			a.write(*message)
		}
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
