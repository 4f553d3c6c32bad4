package duty

import (
	"math"

	"dwindle/config"
)

// State is all that is kept of a history: a value of fixed size without
// pointers, so that a model of today costs no more after ten years than after
// one. The last days are kept one by one, since what they mean (a stop or a
// rest, a new pattern or a bad week) shows only later; days before them are
// kept as sums, filters and the likeliest days of a lasting change.
//
// The zero value has no bounds on duty; see [Rules.State]. [Rules.Fit] is the
// fold of Add over history, bit for bit, and a state written by AppendBinary
// and read back goes on as if it never stopped.
type State struct {
	maxPerDay float64
	sums      sums
	recent    window
	past      past
}

// past is what is kept of the days that left the window.
type past struct {
	ready   bool    // something was used by then: the filters are under way
	guess   float64 // level near which they began, in duty per day
	days    float64 // that taught the filters
	logs    product // of g over these days
	idle    idleness
	stops   float64 // outages begun
	lost    float64 // days of them
	run     idleRun // at the end of these days
	types   typeSums
	late    lateSums
	tracks  [members]track
	changes [patterns]evidence
	marks   [2]mark
	marked  int
}

// State is the state of no history within the rules' bounds.
func (r Rules) State() State { return State{maxPerDay: r.MaxPerDay} }

// Add takes in the next civil day. A day costs the same however long the
// history is, apart from the pass over the window each time it is full.
func (s *State) Add(d Day) {
	if s.recent.n == windowDays {
		s.settle(&work{})
	}
	s.add(d)
}

func (s *State) add(d Day) {
	amount, seen, capped, ok := usable(d, s.maxPerDay)
	if d.Type == config.ShutdownType {
		s.sums.shutdown++
	}
	if !ok {
		d.Type, amount, seen = config.ShutdownType, 0, 0
	}
	s.sums.add(d.Type, amount, seen, capped)
	s.recent.add(d.Type, amount, seen)
}

// Model is the model of the days so far. plan may be nil; fleet is what was
// learned from other machines, the zero value nothing.
func (s *State) Model(plan *Plan, fleet Fleet) Model { return s.model(&work{}, plan, &fleet) }

// ModelWith is Model with the working memory of an earlier call, for passes over
// many points.
func (s *State) ModelWith(scratch *Scratch, plan *Plan, fleet *Fleet) Model {
	return s.model(&scratch.work, plan, fleet)
}

func (s *State) model(w *work, plan *Plan, fleet *Fleet) Model {
	m := Model{maxPerDay: s.maxPerDay, seen: s.sums.seen, capped: s.sums.capped}
	havePlan := plan != nil && plan.PerWeek >= 0 && !math.IsInf(plan.PerWeek, 0)
	sums := s.sums.now()
	switch {
	case s.sums.seen >= MinDays:
		m.fitDayTypes(&sums)
		if s.sums.seen >= MinMixtureDays && m.mix.fit(w, s, fleet) {
			m.rung = RungMixture
		} else {
			m.fitNoise(&s.recent, &sums)
		}
		if havePlan {
			m.notice = comparePlan(&s.recent, plan.PerWeek)
		}
	case havePlan:
		m.fitPlan(&sums, plan.PerWeek)
	default:
		m.rung = RungNone
		m.reason = tooFew(s.sums.seen, s.sums.shutdown)
	}
	return m
}

// work is the working memory of a pass over the window.
type work struct {
	out   [windowDays]bool // days of stops
	steps [windowDays]step
}

// settle lets the oldest days leave the window: the filters take them in with
// the pattern as it is known now, one or two months later.
func (s *State) settle(w *work) {
	k := s.recent.leaving()
	p := &s.past
	_, idle := findOutages(&s.recent, p, &w.out)
	var lately, late pattern
	if lately.learn(p, &s.recent, &w.out) {
		late = lately.moved(p, &s.recent, &w.out)
		if p.ready {
			p.forget()
		} else {
			p.begin(lately.mean)
		}
		days := lately.steps(&s.recent, &w.out, &w.steps)
		total := p.days + taught(days)
		p.changes[lasting].settle(days, k, total, lately.mean, p.guess)
		drift(p.tracks[firstDrift:firstChange], driftSteps[firstDrift:firstChange], days[:k])
		swing(p.tracks[firstSwing:firstDrift], motions[firstSwing:firstDrift], days[:k])
		days = late.steps(&s.recent, &w.out, &w.steps)
		p.changes[moved].settle(days, k, total, lately.mean, p.guess)
		drift(p.tracks[firstMovedDrift:], driftSteps[firstMovedDrift:], days[:k])
		p.days += taught(days[:k])
		p.logs.noise(days[:k])
		p.logs.settle()
		for i := range p.tracks {
			if memberKinds[i].filtered() {
				p.tracks[i].logs.settle()
			}
		}
		p.rest(&s.recent, k, &idle, &w.out)
	}
	p.types.scale(powers[k])
	p.late.scale(latePowers[k])
	if p.ready {
		for i := range k {
			if s.recent.seen[i] > 0 && !w.out[i] {
				p.types.add(&s.recent, i, powers[k-1-i])
				p.late.add(&s.recent, i, latePowers[k-1-i])
			}
		}
	}
	s.recent.drop(k)
}

// begin starts the filters near a level, in duty per day.
func (p *past) begin(mean float64) {
	p.ready, p.guess = true, mean
	p.logs = product{value: 1}
	p.run.chance = 1
	for i := range p.tracks {
		if memberKinds[i].filtered() {
			p.tracks[i] = motions[i].start(mean)
		}
	}
}

// halfMemory is after how many days that taught a mark is set; what lies before
// the last but one is forgotten. So a year at least speaks for or against a
// member, a stop or a change, and a year and a half at most: what a machine did
// in its first years must not outweigh what it does now.
const halfMemory = 182

// mark is how far the sums of the past were on some day.
type mark struct {
	days, logs  float64
	stops, lost float64
	idle        idleness
	squares     [members]float64
	products    [members]float64
	levels      [patterns]struct{ i, b, q float64 }
}

// mark is that of today.
func (p *past) mark() mark {
	m := mark{days: p.days, logs: p.logs.rest, stops: p.stops, lost: p.lost, idle: p.idle}
	for i := range p.tracks {
		m.squares[i], m.products[i] = p.tracks[i].squares, p.tracks[i].logs.rest
	}
	for i := range p.changes {
		e := &p.changes[i]
		m.levels[i].i, m.levels[i].b, m.levels[i].q = e.i, e.b, e.q
	}
	return m
}

// less takes off what was before an earlier mark.
func (m *mark) less(o *mark) {
	m.days -= o.days
	m.logs -= o.logs
	m.stops -= o.stops
	m.lost -= o.lost
	for t := range m.idle.days {
		m.idle.days[t] -= o.idle.days[t]
		m.idle.zeros[t] -= o.idle.zeros[t]
	}
	for i := range m.squares {
		m.squares[i] -= o.squares[i]
		m.products[i] -= o.products[i]
	}
	for i := range m.levels {
		m.levels[i].i -= o.levels[i].i
		m.levels[i].b -= o.levels[i].b
		m.levels[i].q -= o.levels[i].q
	}
}

// forget sets a mark when it is time, and drops what lies before the last but
// one. What the filters know of the level stays: they forget by themselves.
func (p *past) forget() {
	marks := p.marks[:p.marked]
	if p.marked > 0 && p.days-marks[p.marked-1].days < halfMemory || p.days < halfMemory {
		return
	}
	now := p.mark()
	if p.marked == len(p.marks) {
		old := p.marks[0]
		now.less(&old)
		share := now.days / p.days
		for t := range p.types.n {
			p.types.n[t] *= share
		}
		p.days, p.logs.rest, p.stops, p.lost, p.idle = now.days, now.logs, now.stops, now.lost, now.idle
		for i := range p.tracks {
			p.tracks[i].squares, p.tracks[i].logs.rest = now.squares[i], now.products[i]
		}
		for i := range p.changes {
			p.changes[i].forget(old.levels[i].i, old.levels[i].b, old.levels[i].q, now.days)
		}
		for k := range p.marked - 1 {
			p.marks[k] = p.marks[k+1]
			p.marks[k].less(&old)
		}
		p.marked--
	}
	// A filter that forgets how it found its level has found it for nothing:
	// it is charged what finding it again would cost, as the members are that
	// follow from sums.
	for i := range now.products {
		if memberKinds[i].filtered() {
			now.products[i] -= math.Log(levelPrior / p.tracks[i].pmm)
		}
	}
	p.marks[p.marked] = now
	p.marked++
}

// taught counts the days that teach the filters.
func taught(days []step) float64 {
	n := 0.0
	for i := range days {
		if days[i].g > 0 {
			n++
		}
	}
	return n
}
