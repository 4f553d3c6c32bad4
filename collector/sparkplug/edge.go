package sparkplug

import (
	"cmp"
	"fmt"
	"hash/fnv"
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

	recent [8]uint64 // digests of the newest messages
	at     int
}

// device is one behind an edge node.
type device struct {
	online bool
	names  *names // nil: not born
}

// names are what a birth said.
type names struct {
	types   map[string]wire.Datatype
	aliases map[uint64]string // empty: two metrics share it
	size    int               // bytes in memory, about
}

// held is a message held back.
type held struct {
	topic
	full    string
	payload wire.Payload
	at      time.Time // of arrival
	size    int
}

// doubtful is what of a message cannot be read before the next birth, because
// one may have been among what is missing.
type doubtful struct {
	held
	before *names // what its aliases meant up to the gap
	births int    // of its edge node since
}

func (h *Host) sorted() []*edge {
	all := make([]*edge, 0, len(h.edges))
	for _, e := range h.edges {
		all = append(all, e)
	}
	slices.SortFunc(all, func(a, b *edge) int { return cmp.Compare(a.key, b.key) })
	return all
}

func (e *edge) sorted() []string {
	ids := make([]string, 0, len(e.devices))
	for id := range e.devices {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
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

func (n *names) bytes() int {
	if n == nil {
		return 0
	}
	return n.size
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

// suspect keeps what of a message cannot be read now. The next birth tells: if
// it says the same of an alias as the last one did, so did any in between.
func (r *run) suspect(e *edge, m held, metrics []wire.Metric) {
	before := e.own
	if m.device != "" {
		before = nil
		if d := e.devices[m.device]; d != nil {
			before = d.names
		}
	}
	if len(metrics) == 0 {
		return
	}
	if before == nil || len(e.doubt) >= maxHeld || r.h.heldBytes+m.size > maxHeldAll {
		r.h.stats.Unresolved += uint64(len(metrics))
		return
	}
	m.payload.Metrics = metrics
	r.h.heldBytes += m.size
	e.doubt = append(e.doubt, doubtful{held: m, before: before})
}

// settleDoubt reads what was in doubt of an edge node, or of one of its
// devices, by its new birth.
func (r *run) settleDoubt(e *edge, device string, after *names) {
	r.forgetDoubt(e, func(d *doubtful) bool {
		if d.device != device {
			return false
		}
		var out, others []wire.Metric
		for _, m := range d.payload.Metrics {
			if m.Name == "" && m.Alias != nil && d.before.aliases[*m.Alias] == after.aliases[*m.Alias] {
				m.Name = after.aliases[*m.Alias]
			}
			told, known := after.types[m.Name]
			if was, ok := d.before.types[m.Name]; m.Name == "" || !known || !ok || was != told {
				others = append(others, m)
				continue
			}
			if m.Datatype == wire.NoDatatype {
				m.Datatype = told
			}
			out = append(out, m)
		}
		r.h.stats.Recovered += uint64(len(out))
		r.hand(d.held, out)
		d.payload.Metrics = others
		return true
	})
}

// forgetDoubt gives up what is in doubt.
func (r *run) forgetDoubt(e *edge, which func(*doubtful) bool) {
	keep := e.doubt[:0]
	for i := range e.doubt {
		d := e.doubt[i]
		if !which(&d) {
			keep = append(keep, d)
			continue
		}
		r.h.heldBytes -= d.size
		r.h.stats.Unresolved += uint64(len(d.payload.Metrics))
	}
	clear(e.doubt[len(keep):])
	e.doubt = keep
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
	e.own = r.learn(e, p)
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
	for _, id := range e.sorted() {
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
		d.names = r.learn(e, m.payload)
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
			at = time.UnixMilli(int64(min(*t, 1<<52))).UTC()
		}
		r.Changes = append(r.Changes, Change{Edge: e.key, Device: m.device, State: Offline, At: at, Why: "its edge node said so"})
	}
	r.hand(m, m.payload.Metrics, online(m.payload.Time, false))
}

// learn takes names, datatypes and aliases from a birth.
func (r *run) learn(e *edge, p wire.Payload) *names {
	n := &names{types: make(map[string]wire.Datatype, len(p.Metrics)), aliases: map[uint64]string{}}
	for _, m := range p.Metrics {
		if m.Name == "" {
			continue
		}
		if r.h.known+n.size > maxKnown {
			r.h.stats.Refused++
			break
		}
		n.types[m.Name] = m.Datatype
		n.size += metricSize + len(m.Name)
		if m.Alias == nil {
			continue
		}
		if other, taken := n.aliases[*m.Alias]; taken && other != m.Name {
			n.aliases[*m.Alias] = "" // which of the two is meant cannot be known
			continue
		}
		n.aliases[*m.Alias] = m.Name
	}
	r.h.known += n.bytes()
	return n
}

// data hands on a message with the names of its births.
func (r *run) data(e *edge, m held, n *names) {
	out := make([]wire.Metric, 0, len(m.payload.Metrics))
	for _, one := range m.payload.Metrics {
		if one.Name == "" {
			if one.Alias == nil {
				r.h.stats.Unresolved++
				continue
			}
			name, known := n.aliases[*one.Alias]
			if name == "" {
				r.h.stats.Unresolved++
				if !known { // a new birth would not tell apart two that share one
					r.want(e, fmt.Sprintf("alias %d is not in the birth", *one.Alias))
				}
				continue
			}
			one.Name = name
			r.h.stats.Resolved++
		}
		told, known := n.types[one.Name]
		if one.Datatype == wire.NoDatatype {
			one.Datatype = told
		}
		if !known {
			r.want(e, fmt.Sprintf("metric %q is not in the birth", clip(one.Name)))
			if !stands(one) {
				r.h.stats.Unresolved++
				continue
			}
		}
		out = append(out, one)
	}
	r.hand(m, out)
}

func clip(text string) string {
	if len(text) > 48 {
		return text[:48] + "..."
	}
	return text
}

// stands says that a metric can be read without any birth.
func stands(m wire.Metric) bool {
	if m.Name == "" {
		return false
	}
	if m.Datatype != wire.NoDatatype || m.Null {
		return true
	}
	switch m.Value.Field {
	case wire.FloatField, wire.DoubleField, wire.BooleanField, wire.StringField:
		return true
	}
	return false
}

// loose hands on what of a message stands for itself.
func (r *run) loose(m held, more ...wire.Metric) {
	r.h.stats.Unresolved += uint64(len(r.part(m, more...)))
}

// part hands on the metrics of a message that stand for themselves and gives
// the others.
func (r *run) part(m held, more ...wire.Metric) (others []wire.Metric) {
	var out []wire.Metric
	for _, one := range m.payload.Metrics {
		if stands(one) {
			out = append(out, one)
		} else {
			others = append(others, one)
		}
	}
	r.hand(m, out, more...)
	return others
}

// online is the metric of this name.
func online(at *uint64, on bool) wire.Metric {
	m := wire.Metric{Name: OnlineMetric, Time: at, Datatype: wire.Boolean, Value: wire.Value{Field: wire.BooleanField}}
	if on {
		m.Value.Bits = 1
	}
	return m
}

// hand writes a message to be stored, in parts where it is large. A message
// of which nothing is left is none.
func (r *run) hand(of held, metrics []wire.Metric, more ...wire.Metric) {
	head := wire.AppendHead(nil, of.payload)
	b := slices.Clip(head)
	for _, list := range [][]wire.Metric{metrics, more} {
		for _, m := range list {
			if m.Name == "" {
				continue // a birth should have given it one
			}
			one := wire.AppendMetric(nil, m)
			if len(b) > len(head) && len(b)+len(one) > maxPart {
				r.Messages = append(r.Messages, Message{of.full, b, of.at})
				b = slices.Clip(head)
			}
			b = append(b, one...)
		}
	}
	if len(b) > len(head) {
		r.Messages = append(r.Messages, Message{of.full, b, of.at})
	}
}
