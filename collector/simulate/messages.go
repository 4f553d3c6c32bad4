package simulate

import (
	"iter"
	"math"
	"slices"
	"sort"
	"time"
)

// slot is one regular report: what is sent, at which second of the hour, and
// every how many hours.
type slot struct {
	phase  int64
	every  int
	offset int
	what   source
	index  int // machine, point or gateway
	kind   msgKind
}

type source uint8

const (
	fromMachine source = iota
	fromDispenser
	fromGateway
)

// scheduleReports lays out who reports when.
func (p *Plant) scheduleReports() {
	every := int(p.opt.ReportEvery / time.Hour)
	slow := int(p.slowEvery() / time.Hour)
	for i := range p.machines {
		if m := &p.machines[i]; m.use != noRun {
			p.schedule = append(p.schedule, slot{phase: m.phase, every: every, what: fromMachine, index: i})
		}
	}
	for i := range p.points {
		pt := &p.points[i]
		add := func(k msgKind, every, lag int) {
			p.schedule = append(p.schedule, slot{phase: pt.phase + int64(lag), every: every, offset: i % every, what: fromDispenser, index: i, kind: k})
		}
		if pt.class.pulsePaced() {
			add(msgPulse, every, 0)
		}
		if pt.class.countsStrokes() || pt.class == flow {
			add(msgDose, slow, 1)
		}
		if pt.class.measuredLevel() || pt.class == pulseCount {
			add(msgLevel, slow, 2)
		}
		if pt.class == bare {
			add(msgStatus, slow, 3)
		} else {
			add(msgStatus, 12/min(12, slow)*slow, 3)
		}
	}
	for i := range p.gateways {
		p.schedule = append(p.schedule, slot{phase: int64(30 + 7*i), every: every, what: fromGateway, index: i})
	}
	slices.SortStableFunc(p.schedule, func(a, b slot) int { return int(a.phase - b.phase) })
}

// Messages gives the history in the order of sending. Each call gives the same
// messages; the payloads are the caller's to keep.
func (p *Plant) Messages() iter.Seq[Sent] {
	return func(yield func(Sent) bool) {
		s := &sender{p: p, w: p.newWriter("noise "), yield: yield, held: make([][]Sent, len(p.gateways))}
		next := 0
		for h := range p.past {
			if !s.hour(int64(h), &next) {
				return
			}
		}
		s.flush(math.MaxInt64)
	}
}

// sender is one pass over the messages.
type sender struct {
	p       *Plant
	w       *writer
	yield   func(Sent) bool
	held    [][]Sent // per gateway, while its uplink is gone
	extra   []special
	stopped bool
}

func (s *sender) hour(h int64, next *int) bool {
	p, base := s.p, h*3600
	s.flush(base)
	s.extra = s.extra[:0]
	for ; *next < len(p.specials) && p.specials[*next].sec < base+3600; *next++ {
		s.extra = append(s.extra, p.specials[*next])
	}
	s.transitions(h)
	sort.SliceStable(s.extra, func(i, j int) bool { return s.extra[i].sec < s.extra[j].sec })
	e := 0
	for i := range p.schedule {
		sl := &p.schedule[i]
		if (int(h)+sl.offset)%sl.every != 0 {
			continue
		}
		sec := base + sl.phase
		for ; e < len(s.extra) && s.extra[e].sec <= sec; e++ {
			s.send(s.extra[e].gateway, s.extra[e].sec, s.extra[e].topic, s.extra[e].payload)
		}
		s.report(sl, sec)
		if s.stopped {
			return false
		}
	}
	for ; e < len(s.extra); e++ {
		s.send(s.extra[e].gateway, s.extra[e].sec, s.extra[e].topic, s.extra[e].payload)
	}
	return !s.stopped
}

// transitions adds the start and stop messages of machines that send only
// their state.
func (s *sender) transitions(h int64) {
	for i := range s.p.machines {
		m := &s.p.machines[i]
		if m.signal != stateOnly || m.use == noRun {
			continue
		}
		base := h * 3600
		f := float64(m.run[h])
		turn := base
		if f > 0 && f < 1 {
			turn = base + int64(math.Ceil(f*3600))
		} else if f < 0 {
			turn = base + int64(math.Ceil((1+f)*3600))
		}
		for _, sec := range [...]int64{base, turn} {
			if sec > 0 && sec < base+3600 && m.runningAt(sec) != m.runningAt(sec-1) && !m.lost.holds(sec) {
				s.extra = append(s.extra, special{sec: sec, gateway: m.gateway, topic: m.topic, payload: s.w.run(m, sec)})
			}
			if turn == base {
				break
			}
		}
	}
}

// report sends one regular message unless its device is silent.
func (s *sender) report(sl *slot, sec int64) {
	p := s.p
	switch sl.what {
	case fromMachine:
		m := &p.machines[sl.index]
		if m.lost.holds(sec) {
			return
		}
		payload := s.w.run(m, sec)
		s.send(m.gateway, sec, m.topic, payload)
		if m.glitch.repeats.holds(sec) {
			s.send(m.gateway, sec, m.topic, payload)
		}
	case fromDispenser:
		pt := &p.points[sl.index]
		payload := s.w.dispenser(sl.index, sl.kind, sec) // composed even when silent: the noise must go on alike
		if pt.silent.holds(sec) || sec < pt.fills[0].from {
			return
		}
		g := p.gatewayOf(pt)
		s.send(g, sec, pt.topics[sl.kind], payload)
		if pt.glitch.repeats.holds(sec) {
			s.send(g, sec, pt.topics[sl.kind], payload)
		}
	case fromGateway:
		g := &p.gateways[sl.index]
		s.send(sl.index, sec, g.topic, s.w.gatewayStatus(g, sec))
	}
}

// send passes a message through its gateway.
func (s *sender) send(gateway int, sec int64, topic string, payload []byte) {
	if s.stopped || sec >= s.p.endSec() {
		return
	}
	m := Sent{At: s.p.at(sec), Topic: topic, Payload: payload}
	if gateway >= 0 {
		g := &s.p.gateways[gateway]
		if g.silent.holds(sec) {
			return
		}
		if g.backlog.holds(sec) {
			s.held[gateway] = append(s.held[gateway], m)
			return
		}
	}
	s.stopped = !s.yield(m)
}

// flush sends what gateways held back, newest first, once their uplink is back.
func (s *sender) flush(sec int64) {
	for g := range s.held {
		if len(s.held[g]) == 0 || sec < s.p.gateways[g].backlog.to {
			continue
		}
		at := s.p.at(min(sec, s.p.endSec()))
		for i := len(s.held[g]) - 1; i >= 0 && !s.stopped; i-- {
			m := s.held[g][i]
			m.At = at
			s.stopped = !s.yield(m)
		}
		s.held[g] = nil
	}
}
