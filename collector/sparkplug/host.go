// Package sparkplug follows the sessions of Sparkplug edge nodes as a host
// does: what arrives under spBv1.0/# goes in, messages that stand for
// themselves come out.
//
// A Sparkplug message can be understood only by who has seen the births of its
// session: they say which metric an alias stands for and what its datatype is.
// A [Host] keeps that, holds back what comes out of order, notices what is
// missing, asks for a new birth where it needs one, and writes names and
// datatypes into the payloads that it hands on. These keep their topic, so
// that whoever stores them can read them again without any session.
//
// Behind a missing message an alias is in doubt: the one that is missing may
// have been a birth that gave aliases anew. Metrics with their names go on; the
// others wait for the next births and are taken where those say the same of an
// alias as the last ones did.
//
// It is written after the Eclipse Foundation's Sparkplug Specification,
// version 3.0.0 (2022), and implements its rules for hosts; it is not certified.
// Test cases name the rule by its id there (tck-id-...).
//
// The package is pure: time is a parameter, timers are asked for by
// [Host.Due], and what is to be sent is handed back. collector/sparkplug/session
// connects it to a broker. Start with [New].
package sparkplug

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dwindle/collector/sparkplug/wire"
)

// Options of New.
type Options struct {
	// ID of the host, a level of its STATE topic. Needed where Primary.
	ID string
	// Primary says that STATE is published: edge nodes that name this host as
	// their primary one then keep their data while it is away.
	Primary bool
	// Reorder is how long a missing message is waited for
	// (tck-id-operational-behavior-host-reordering-param). 0: 3 s.
	Reorder time.Duration
}

// OnlineMetric is the name of a metric that no edge node sends: the host adds
// it to births, true, and sends it for deaths, false. A mapping may take it as
// the field online of a status.
const OnlineMetric = "$online"

// DefaultReorder is how long a missing message is waited for. A proposal: the
// specification gives no figure.
const DefaultReorder = 3 * time.Second

// Bounds. They are far above what a plant has; what exceeds them is handed on
// as it came and counted.
const (
	maxEdges   = 4096
	maxDevices = 16_384    // of all edge nodes
	maxKnown   = 128 << 20 // bytes of what births said, in all
	maxHeld    = 64        // messages held back for one edge node
	maxHeldAll = 32 << 20  // bytes held back in all
	metricSize = 256       // bytes of a metric in memory, about
	// A resolved payload is handed on in parts of at most so many bytes, below
	// what the decoding takes.
	maxPart = 192 << 10
)

// holdUnborn is how long a message is held back of an edge node whose birth was
// not seen: births that overtake each other do so by moments (a proposal), and
// until it is asked for one, its aliases mean nothing.
const holdUnborn = 500 * time.Millisecond

// Requests for a birth: at least so far apart for one edge node, twice as far
// after each one, up to the longest; and so far apart for all together. A
// birth is the largest message that an edge node has, and storms of them are
// the known failure. Proposals.
const (
	firstAsk    = time.Minute
	longestAsk  = time.Hour
	betweenAsks = 100 * time.Millisecond
)

// Message is a message to be stored: the topic it came under, and a payload in
// which every metric has its name and datatype.
type Message struct {
	Topic    string
	Payload  []byte
	Received time.Time // when it arrived, which may be some time ago
}

// Publication is a message to be sent.
type Publication struct {
	Topic    string
	Payload  []byte
	QoS      byte
	Retained bool
}

// State of an edge node or device.
type State uint8

// The states.
const (
	Unknown State = iota // no birth seen on this connection
	Online               // born, and nothing missing
	Stale                // something is missing; a new birth is asked for
	Offline              // its death was seen
)

// String gives the state in one word.
func (s State) String() string {
	switch s {
	case Online:
		return "online"
	case Stale:
		return "stale"
	case Offline:
		return "offline"
	}
	return "unknown"
}

// Change is a change of state.
type Change struct {
	Edge   string // group/edge
	Device string // empty: the edge node itself
	State  State
	At     time.Time
	Why    string
}

// Outcome is what follows from a message, from time, or from the connection.
type Outcome struct {
	Messages []Message
	Publish  []Publication
	Changes  []Change
}

// Stats count since the start.
type Stats struct {
	Births     uint64 // births of nodes and devices
	Deaths     uint64
	Data       uint64
	Resolved   uint64 // metrics that got their name from a birth
	Unresolved uint64 // metrics dropped: their alias or datatype is not known
	Recovered  uint64 // metrics behind a gap that the next birth let us read
	Gaps       uint64 // missing messages that did not come in time
	Requests   uint64 // births asked for
	Duplicates uint64
	Malformed  uint64 // handed on as they came
	Ignored    uint64 // commands, retained messages, deaths of other sessions
	Refused    uint64 // above the bounds
	Foreign    uint64 // topics of another version
}

// Host follows the edge nodes of one broker. It is not safe for concurrent
// use.
type Host struct {
	opt   Options
	edges map[string]*edge
	timed map[string]*edge // that wait for something
	stats Stats

	up        bool      // connected, subscribed and announced
	since     time.Time // of this connection's STATE
	announced time.Time // when STATE was published last
	announce  bool      // STATE is to be published again
	nextAsk   time.Time

	devices, known, heldBytes int
}

// New makes a host that is not connected.
func New(opt Options) (*Host, error) {
	if opt.Reorder == 0 {
		opt.Reorder = DefaultReorder
	}
	switch {
	case opt.Primary && !ValidID(opt.ID):
		return nil, fmt.Errorf("the Sparkplug host id %q cannot be a level of a topic\ntry: a word without /, + and #", opt.ID)
	case opt.Reorder < 0:
		return nil, fmt.Errorf("a Sparkplug reorder time of %s\ntry: 3s", opt.Reorder)
	}
	return &Host{opt: opt, edges: map[string]*edge{}, timed: map[string]*edge{}}, nil
}

// ValidID says whether a text can be the id of a host, group, edge node or
// device: a level of a topic (tck-id-topic-structure-namespace-valid-...).
func ValidID(id string) bool {
	return id != "" && len(id) <= 256 && !strings.ContainsAny(id, "/+#\x00") && !strings.HasPrefix(id, "$")
}

// Stats gives the counts.
func (h *Host) Stats() Stats { return h.stats }

// Standing says how many edge nodes are in each state, and names some that
// wait for a birth and why.
type Standing struct {
	Edges   [Offline + 1]int // by state
	Devices int
	Waiting []string // at most 5, in order
}

// Standing gives the present states.
func (h *Host) Standing() Standing {
	s := Standing{Devices: h.devices}
	for _, e := range h.edges {
		s.Edges[e.state]++
		if e.wants != "" {
			s.Waiting = append(s.Waiting, e.key+" ("+e.wants+")")
		}
	}
	slices.Sort(s.Waiting)
	s.Waiting = s.Waiting[:min(len(s.Waiting), 5)]
	return s
}

// run collects what follows from one call.
type run struct {
	h   *Host
	now time.Time
	Outcome
}

// Receive takes a message that arrived.
func (h *Host) Receive(topic string, payload []byte, retained bool, now time.Time) Outcome {
	r := &run{h: h, now: now}
	t, kind := parseTopic(topic)
	switch {
	case kind == foreignTopic:
		h.stats.Foreign++
	case kind == stateTopic:
		r.stateReport(t.node, payload)
	case kind == noTopic || !t.data() || retained:
		// A retained birth holds values of some past and no session.
		h.stats.Ignored++
	default:
		r.message(t, topic, payload)
	}
	r.timers()
	return r.Outcome
}

// Tick does what is due at now.
func (h *Host) Tick(now time.Time) Outcome {
	r := &run{h: h, now: now}
	r.timers()
	return r.Outcome
}

// Due gives the time at which Tick has something to do; false: never.
func (h *Host) Due() (due time.Time, ok bool) {
	earlier := func(t time.Time) {
		if !t.IsZero() && (!ok || t.Before(due)) {
			due, ok = t, true
		}
	}
	for _, e := range h.timed {
		earlier(e.deadline)
		if e.wants != "" && h.up {
			earlier(later(e.askable, h.nextAsk))
		}
	}
	if h.announce && h.up {
		earlier(h.announced.Add(time.Second))
	}
	return due, ok
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// timers does what is due, those edge nodes first that have waited longest for
// being asked.
func (r *run) timers() {
	h := r.h
	var waiting []*edge
	for _, e := range h.timed {
		if e.due(r.now) || h.up && e.wants != "" && !r.now.Before(later(e.askable, h.nextAsk)) {
			waiting = append(waiting, e)
		}
	}
	if len(waiting) > 0 {
		slices.SortFunc(waiting, func(a, b *edge) int { return cmp.Or(a.asked.Compare(b.asked), cmp.Compare(a.key, b.key)) })
		for _, e := range waiting {
			if e.due(r.now) {
				r.elapsed(e)
			}
			r.ask(e)
			h.settle(e)
		}
	}
	if h.announce && h.up && !r.now.Before(h.announced.Add(time.Second)) {
		h.announce, h.announced = false, r.now
		r.Publish = append(r.Publish, h.state(true, h.since))
	}
}

// due says that the time for what is missing has elapsed.
func (e *edge) due(now time.Time) bool { return !e.deadline.IsZero() && !now.Before(e.deadline) }

// settle notes whether an edge node waits for something.
func (h *Host) settle(e *edge) {
	if e.deadline.IsZero() && e.wants == "" {
		delete(h.timed, e.key)
	} else {
		h.timed[e.key] = e
	}
}

// ask requests a birth, if one is wanted and may be asked for now
// (tck-id-operational-behavior-host-reordering-rebirth).
func (r *run) ask(e *edge) {
	h := r.h
	if e.wants == "" || !h.up || r.now.Before(e.askable) || r.now.Before(h.nextAsk) {
		return
	}
	if e.patience == 0 || r.now.Sub(e.asked) > 4*e.patience {
		e.patience = firstAsk
	}
	e.asked, e.askable, h.nextAsk = r.now, r.now.Add(e.patience), r.now.Add(betweenAsks)
	e.patience = min(2*e.patience, longestAsk)
	h.stats.Requests++
	ms := uint64(r.now.UnixMilli())
	r.Publish = append(r.Publish, Publication{
		Topic: namespace + "/" + e.group + "/NCMD/" + e.id,
		// A command has a time and no sequence number, QoS 0 and is not retained
		// (tck-id-payloads-ncmd-timestamp, -seq, -qos, -retain).
		Payload: wire.Encode(wire.Payload{Time: &ms, Metrics: []wire.Metric{{
			Name: "Node Control/Rebirth", Time: &ms, Datatype: wire.Boolean, Value: wire.Value{Field: wire.BooleanField, Bits: 1},
		}}}),
	})
}

// Missed says that a message handed on was not stored after all: its edge
// node's present values are asked for again.
func (h *Host) Missed(topic string, now time.Time) Outcome {
	r := &run{h: h, now: now}
	if t, kind := parseTopic(topic); kind == sparkplugTopic {
		if e := h.edges[t.edge()]; e != nil && e.state != Offline {
			r.want(e, "a message could not be stored")
			h.settle(e)
		}
	}
	r.timers()
	return r.Outcome
}
