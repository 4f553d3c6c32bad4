package mqtt

import (
	"errors"
	"strings"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"dwindle/collector/reading"
)

// hook is where the broker asks what to do with each packet. It takes
// publishes away from the broker, which would acknowledge at once, and
// answers them itself after the commit.
type hook struct {
	mochi.HookBase
	server     *Server
	publishers sync.Map // *mochi.Client -> *publisher
}

// ID implements mochi.Hook.
func (h *hook) ID() string { return "intake" }

// Provides implements mochi.Hook.
func (h *hook) Provides(b byte) bool {
	switch b {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPacketRead, mochi.OnSessionEstablish,
		mochi.OnPublish, mochi.OnDisconnect, mochi.OnWillSent:
		return true
	}
	return false
}

// OnConnectAuthenticate implements mochi.Hook.
func (h *hook) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	return h.server.gate.admit(cl, pk)
}

// OnACLCheck implements mochi.Hook. A publish by an alias (MQTT 5) has no topic
// yet; OnPublish looks at the one that it stands for.
func (h *hook) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	if !h.server.gate.asks() || topic == "" && write {
		return true
	}
	return h.server.gate.allowed(cl, h.rights(cl), topic, write)
}

// rights are those of a client's account by the site file in force.
func (h *hook) rights(cl *mochi.Client) *rights {
	if p := h.publisher(cl); p != nil {
		return p.rightsNow()
	}
	return rightsOf(h.server.opt.Site(), string(cl.Properties.Username))
}

// OnSessionEstablish begins the book of what a client's packets still need.
func (h *hook) OnSessionEstablish(cl *mochi.Client, _ packets.Packet) {
	h.server.stats.connections.Add(1)
	h.publishers.Store(cl, newPublisher(h.server, cl))
}

// OnDisconnect ends it. Answers that come later have nobody to go to; the
// client sends those messages again.
func (h *hook) OnDisconnect(cl *mochi.Client, err error, _ bool) {
	if errors.Is(err, packets.ErrPacketTooLarge) {
		h.server.gate.tooLarge(cl)
	}
	if p, ok := h.publishers.LoadAndDelete(cl); ok {
		p.(*publisher).leave()
	}
}

func (h *hook) publisher(cl *mochi.Client) *publisher {
	p, ok := h.publishers.Load(cl)
	if !ok {
		return nil
	}
	return p.(*publisher)
}

// OnPacketRead sees packets as they were sent, before the broker applies its
// limits to them.
func (h *hook) OnPacketRead(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	switch pk.FixedHeader.Type {
	case packets.Connect:
		// A will above the broker's limits would have the whole connection
		// refused, which an MQTT 3.1.1 device cannot know beforehand.
		pk.Connect.WillQos = min(pk.Connect.WillQos, 1)
		pk.Connect.WillRetain = false
		// An empty one is allowed (MQTT 3.1.1, 3.1.3.3) and the library refuses
		// it. It would say nothing.
		if len(pk.Connect.WillPayload) == 0 {
			pk.Connect.WillFlag = false
		}
	case packets.Publish:
		p := h.publisher(cl)
		if p == nil {
			return pk, nil
		}
		if pk.FixedHeader.Qos == 2 && cl.Properties.ProtocolVersion >= 5 {
			cl.Stop(packets.ErrQosNotSupported) // it was told the limit
			return pk, packets.ErrRejectPacket
		}
		p.qos = pk.FixedHeader.Qos
		if p.qos > 0 && strings.HasPrefix(pk.TopicName, "$") && !mochi.IsValidFilter(pk.TopicName, true) {
			// The broker ignores these ($SYS) without an answer, and the
			// client would wait for ever.
			p.begin(pk.PacketID, p.qos)
			p.finish(pk.PacketID, nil)
		}
	}
	return pk, nil
}

// OnPublish hands a publish to the sink. Returning ErrRejectPacket makes the
// broker neither acknowledge nor forward it.
func (h *hook) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil // our own, on its way to subscribers
	}
	p := h.publisher(cl)
	if p == nil {
		return pk, packets.ErrRejectPacket
	}
	if h.server.gate.asks() && !p.rightsNow().mayPublish(pk.TopicName) {
		h.server.gate.denied(cl, pk.TopicName, "publish to")
		cl.Stop(packets.ErrNotAuthorized)
		return pk, packets.ErrRejectPacket
	}
	if !h.server.takes(pk.TopicName) || h.server.probe(pk.TopicName, pk.Payload) {
		return h.passOn(p, pk)
	}
	m := reading.Message{
		Topic: pk.TopicName, Payload: pk.Payload, Received: time.Now().UTC(),
		Dup: pk.FixedHeader.Dup, Source: "embedded",
	}
	answered := p.qos > 0
	if answered {
		if err := p.slots.Acquire(h.server.taking, 1); err != nil {
			return pk, packets.ErrRejectPacket // stopping
		}
		p.begin(pk.PacketID, p.qos)
	}
	id, on := pk.PacketID, passingOf(&pk)
	h.server.submit(m, func(err error) {
		if answered {
			p.finish(id, err)
			p.slots.Release(1)
		}
		if err == nil {
			h.server.pass(on)
		}
	})
	return pk, packets.ErrRejectPacket
}

// passOn leaves a publish that is none of ours to the broker. It reduces QoS
// 2 to 1 and would answer with the wrong packet, so that one is answered here.
func (h *hook) passOn(p *publisher, pk packets.Packet) (packets.Packet, error) {
	if p.qos < 2 {
		return pk, nil
	}
	p.begin(pk.PacketID, p.qos)
	h.server.pass(passingOf(&pk))
	p.finish(pk.PacketID, nil)
	return pk, packets.ErrRejectPacket
}

// OnWillSent hands over a last will that the broker has just published.
func (h *hook) OnWillSent(_ *mochi.Client, pk packets.Packet) {
	if !h.server.takes(pk.TopicName) {
		return
	}
	m := reading.Message{Topic: pk.TopicName, Payload: pk.Payload, Received: time.Now().UTC(), Source: "embedded"}
	h.server.submit(m, func(err error) {
		if err != nil && !errors.Is(err, h.server.taking.Err()) {
			h.server.opt.Log.Warn("a last will was not stored", "topic", pk.TopicName, "error", err)
		}
	})
}
