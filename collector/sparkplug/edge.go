package sparkplug

import (
	"fmt"
	"hash/fnv"
	"maps"
	"slices"
	"time"

	"dwindle/collector/sparkplug/wire"
)

// edge is one edge node.
type edge struct {
	key, group, id string
	state          State
	session        *uint64 // bdSeq of the birth
	next           uint8   // sequence number that is due
	uncounted      bool    // its birth carried no sequence number
	own            *names
	devices        map[string]*device

	held     []held // in the order of arrival
	deadline time.Time
	doubt    []doubtful

	wants    string // why a birth is needed; empty: it is not
	asked    time.Time
	askable  time.Time     // not before
	patience time.Duration // until the request after the next

	recent [8]uint64 // digests of the newest messages; copies come close together
	at     int
}

// device is one behind an edge node.
type device struct {
	online bool
	names  *names // nil: not born
}

// held is a message held back.
type held struct {
	topic
	full    string
	payload wire.Payload
	at      time.Time // of arrival
	size    int
}

// forget gives up what the births said.
func (e *edge) forget(h *Host) {
	h.known -= e.own.bytes()
	e.own = nil
	for _, d := range e.devices {
		h.known -= d.names.bytes()
		d.names = nil
	}
}

// evict gives up an edge node that is away, the first by name, to make room.
func (h *Host) evict() bool {
	var gone *edge
	for _, e := range h.edges {
		if (e.state == Offline || e.state == Unknown) && len(e.held) == 0 && e.wants == "" && (gone == nil || e.key < gone.key) {
			gone = e
		}
	}
	if gone == nil {
		return false
	}
	gone.forget(h)
	for _, d := range gone.doubt {
		h.heldBytes -= d.size
	}
	h.devices -= len(gone.devices)
	delete(h.edges, gone.key)
	delete(h.timed, gone.key)
	return true
}

func (r *run) become(e *edge, s State, why string) {
	if e.state == s {
		return
	}
	e.state = s
	r.Changes = append(r.Changes, Change{Edge: e.key, State: s, At: r.now, Why: why})
}

// want notes that a birth is needed.
func (r *run) want(e *edge, why string) {
	if e.wants == "" {
		e.wants = why
	}
}

// message takes a message of an edge node.
func (r *run) message(t topic, full string, payload []byte) {
	h := r.h
	p, err := wire.Decode(payload)
	if err != nil {
		// Whoever decodes it keeps it aside with the reason. Its sequence number
		// is then missing, which is as it should be.
		h.stats.Malformed++
		r.Messages = append(r.Messages, Message{full, payload, r.now})
		return
	}
	e := h.edges[t.edge()]
	if e == nil {
		if len(h.edges) >= maxEdges && !h.evict() {
			h.stats.Refused++
			r.loose(held{full: full, payload: p, at: r.now})
			return
		}
		e = &edge{key: t.edge(), group: t.group, id: t.node, devices: map[string]*device{}}
		h.edges[e.key] = e
	}
	defer h.settle(e)
	m := held{topic: t, full: full, payload: p, at: r.now, size: len(full) + len(payload) + metricSize*len(p.Metrics)}
	switch t.word {
	case "NBIRTH":
		r.birth(e, m)
		return
	case "NDEATH":
		r.death(e, m)
		return
	}
	sum := digest(full, payload)
	if slices.Contains(e.recent[:], sum) && !e.uncounted {
		// The same message again, as from overlapping subscriptions.
		h.stats.Duplicates++
		return
	}
	e.recent[e.at], e.at = sum, (e.at+1)%len(e.recent)
	if e.state == Online && (e.uncounted && p.Seq == nil || seq(p) == e.next) {
		r.take(e, m)
		r.drain(e)
		return
	}
	r.hold(e, m)
}

// digest tells messages apart.
func digest(full string, payload []byte) uint64 {
	d := fnv.New64a()
	_, _ = d.Write([]byte(full))
	_, _ = d.Write([]byte{0})
	_, _ = d.Write(payload)
	return d.Sum64()
}

// seq is a payload's sequence number. Encoders of the newer language of
// Protocol Buffers leave out a 0.
func seq(p wire.Payload) uint8 {
	if p.Seq == nil {
		return 0
	}
	return uint8(*p.Seq)
}

// hold keeps a message that is not due yet: one before it is missing, or the
// birth of its session (tck-id-operational-behavior-host-reordering-start).
func (r *run) hold(e *edge, m held) {
	h := r.h
	if len(e.held) >= maxHeld || h.heldBytes+m.size > maxHeldAll {
		r.elapsed(e)
		if h.heldBytes+m.size > maxHeldAll {
			h.stats.Refused++
			r.loose(m)
			return
		}
	}
	e.held = append(e.held, m)
	h.heldBytes += m.size
	if e.deadline.IsZero() {
		wait := h.opt.Reorder
		if e.state != Online {
			wait = min(wait, holdUnborn)
		}
		e.deadline = r.now.Add(wait)
	}
}

// drain takes held messages that have become due, and stops the timer when
// none is left (tck-id-operational-behavior-host-reordering-success).
func (r *run) drain(e *edge) {
	for e.state == Online {
		i := slices.IndexFunc(e.held, func(m held) bool { return seq(m.payload) == e.next })
		if i < 0 {
			break
		}
		m := e.held[i]
		e.held = slices.Delete(e.held, i, i+1)
		r.h.heldBytes -= m.size
		r.take(e, m)
		if len(e.held) > 0 {
			e.deadline = r.now.Add(r.h.opt.Reorder) // what is missing now is another
		}
	}
	if len(e.held) == 0 {
		e.deadline = time.Time{}
	}
}

// elapsed gives up waiting: what is missing did not come in time.
func (r *run) elapsed(e *edge) {
	if e.state == Online {
		r.h.stats.Gaps++
		why := fmt.Sprintf("message %d is missing", e.next)
		r.want(e, why)
		r.become(e, Stale, why)
	}
	r.want(e, "data before its birth")
	e.deadline = time.Time{}
	r.release(e, func(held) bool { return true })
}

// release hands on held messages that will not be due any more, as far as they
// stand for themselves: an alias means what the last birth said, and a birth
// may be among what is missing.
func (r *run) release(e *edge, which func(held) bool) {
	keep := e.held[:0]
	for _, m := range e.held {
		if !which(m) {
			keep = append(keep, m)
			continue
		}
		r.h.heldBytes -= m.size
		switch m.word {
		case "DDEATH":
			r.deviceDeath(e, m)
		case "DBIRTH":
			r.loose(m, online(m.payload.Time, true))
		default:
			r.suspect(e, m, r.part(m))
		}
	}
	clear(e.held[len(keep):])
	e.held = keep
}

// birth begins a session or repeats its beginning.
func (r *run) birth(e *edge, m held) {
	h := r.h
	h.stats.Births++
	p := m.payload
	// What was held back belongs to this session only if it was sent after its
	// birth and follows on its number; all else was of the one before.
	first := seq(p) + 1
	r.release(e, func(m held) bool {
		return p.Time == nil || m.payload.Time == nil || *m.payload.Time < *p.Time || seq(m.payload)-first >= maxHeld
	})
	e.forget(h)
	e.own = r.learn(p)
	e.session = bdSeq(p)
	e.next, e.uncounted = first, p.Seq == nil
	e.recent = [8]uint64{}
	e.wants, e.deadline = "", time.Time{}
	if len(e.held) > 0 {
		e.deadline = r.now.Add(h.opt.Reorder)
	}
	r.become(e, Online, "born")
	r.hand(m, p.Metrics, online(p.Time, true))
	r.forgetDoubt(e, func(d *doubtful) bool { d.births++; return d.births > 1 })
	r.settleDoubt(e, "", e.own)
	r.drain(e)
}

// bdSeq is the number that a birth and the death of its session share.
func bdSeq(p wire.Payload) *uint64 {
	for _, m := range p.Metrics {
		if m.Name == "bdSeq" && (m.Value.Field == wire.IntField || m.Value.Field == wire.LongField) {
			return &m.Value.Bits
		}
	}
	return nil
}

// death ends a session, unless it is a late one of another
// (tck-id-operational-behavior-edge-node-termination-host-action-ndeath-...).
// Everything of it is dated by our clock: the payload was written when the
// session began.
func (r *run) death(e *edge, m held) {
	h := r.h
	died := bdSeq(m.payload)
	if e.state == Offline || e.state == Unknown && e.session == nil || (died == nil) != (e.session == nil) || died != nil && *died != *e.session {
		h.stats.Ignored++
		return
	}
	h.stats.Deaths++
	r.release(e, func(held) bool { return true })
	e.forget(h)
	e.wants, e.deadline = "", time.Time{}
	r.become(e, Offline, "its session ended")
	ms := uint64(r.now.UnixMilli())
	r.hand(held{full: m.full, payload: wire.Payload{Time: &ms}, at: r.now}, nil, online(&ms, false))
	for _, id := range slices.Sorted(maps.Keys(e.devices)) {
		if d := e.devices[id]; d.online {
			d.online = false
			r.Changes = append(r.Changes, Change{Edge: e.key, Device: id, State: Offline, At: r.now, Why: "the session of its edge node ended"})
			r.hand(held{full: namespace + "/" + e.group + "/DDEATH/" + e.id + "/" + id, payload: wire.Payload{Time: &ms}, at: r.now}, nil, online(&ms, false))
		}
	}
}

// take takes a message whose turn it is.
func (r *run) take(e *edge, m held) {
	h := r.h
	e.next++
	switch m.word {
	case "NDATA":
		h.stats.Data++
		r.data(e, m, e.own)
	case "DDATA":
		h.stats.Data++
		if d := e.devices[m.device]; d != nil && d.names != nil {
			r.data(e, m, d.names)
			return
		}
		r.want(e, "data of "+m.device+" before its birth")
		r.loose(m)
	case "DBIRTH":
		h.stats.Births++
		d := e.devices[m.device]
		if d == nil {
			if h.devices >= maxDevices {
				h.stats.Refused++
				r.loose(m)
				return
			}
			h.devices++
			d = &device{}
			e.devices[m.device] = d
		}
		h.known -= d.names.bytes()
		d.names = r.learn(m.payload)
		if !d.online {
			d.online = true
			r.Changes = append(r.Changes, Change{Edge: e.key, Device: m.device, State: Online, At: r.now, Why: "born"})
		}
		r.hand(m, m.payload.Metrics, online(m.payload.Time, true))
		r.settleDoubt(e, m.device, d.names)
	case "DDEATH":
		h.stats.Deaths++
		r.deviceDeath(e, m)
	}
}

// deviceDeath ends a device's session, dated by the payload
// (tck-id-operational-behavior-edge-node-termination-host-action-ddeath-...).
func (r *run) deviceDeath(e *edge, m held) {
	d := e.devices[m.device]
	if d != nil {
		r.h.known -= d.names.bytes()
		d.names = nil
	}
	if d != nil && d.online {
		d.online = false
		at := r.now
		if t := m.payload.Time; t != nil {
			at = time.UnixMilli(int64(min(*t, 1<<52))).UTC() // far beyond any year that is meant, and still a time
		}
		r.Changes = append(r.Changes, Change{Edge: e.key, Device: m.device, State: Offline, At: at, Why: "its edge node said so"})
	}
	r.hand(m, m.payload.Metrics, online(m.payload.Time, false))
}
