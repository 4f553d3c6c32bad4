package simulate

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"
)

// GlitchKind is a way in which telemetry goes wrong.
type GlitchKind string

// The kinds of glitches. The first group are messages that cannot be used and
// must be kept aside; the second must be absorbed without counting wrongly.
const (
	TruncatedJSON  GlitchKind = "truncated_json"
	NotJSON        GlitchKind = "not_json"
	EmptyPayload   GlitchKind = "empty_payload"
	UnknownDevice  GlitchKind = "unknown_device"
	AbsurdLevel    GlitchKind = "absurd_level"
	NegativeHours  GlitchKind = "negative_hours"
	UnknownUnit    GlitchKind = "unknown_unit"
	CounterReset   GlitchKind = "counter_reset"
	TransientZero  GlitchKind = "transient_zero"
	AbsurdJump     GlitchKind = "absurd_jump"
	Repeats        GlitchKind = "repeats"
	LateDisordered GlitchKind = "late_disordered"
)

// Glitch is one piece of bad telemetry.
type Glitch struct {
	Kind   GlitchKind
	Device string // or gateway, for LateDisordered
	At     time.Time
	Until  time.Time // for stretches; else zero
	Count  int       // messages concerned; 0 for a stretch
	// KeptAside says that the messages cannot be used; otherwise the intake
	// has to absorb them.
	KeptAside bool
	What      string // in words
}

// special is a message outside the regular schedule.
type special struct {
	sec     int64
	gateway int // -1: none
	topic   string
	payload []byte
}

// placeGlitches strews bad messages and telemetry over the history, away from
// the faults so that each stays what it is.
func (p *Plant) placeGlitches() {
	if p.opt.Healthy {
		return
	}
	r := p.stream("glitches")
	p.poison(r)
	p.glitchCounters(r)
	p.holdBack(r)
	p.sortSpecials()
	slices.SortStableFunc(p.glitches, func(a, b Glitch) int { return a.At.Compare(b.At) })
}

// somewhen draws a second in the middle of the history.
func (p *Plant) somewhen(r *rand.Rand, lo, hi float64) int64 {
	return int64(uniform(r, lo, hi) * float64(p.endSec()))
}

func (p *Plant) poison(r *rand.Rand) {
	var heardMachines []*machine
	var heardPoints []*point
	for i := range p.machines {
		if m := &p.machines[i]; m.use != noRun && m.lost == (span{}) {
			heardMachines = append(heardMachines, m)
		}
	}
	for i := range p.points {
		if pt := &p.points[i]; pt.silent == (span{}) {
			heardPoints = append(heardPoints, pt)
		}
	}
	if len(heardMachines) == 0 || len(heardPoints) == 0 {
		return
	}
	machine := func() *machine { return heardMachines[r.IntN(len(heardMachines))] }
	point := func() *point { return heardPoints[r.IntN(len(heardPoints))] }
	put := func(k GlitchKind, device, topic, what string, payload func(at string) string) {
		sec := p.somewhen(r, 0.05, 0.95)
		at := p.at(sec).Format(time.RFC3339)
		p.specials = append(p.specials, special{sec: sec, gateway: -1, topic: topic, payload: []byte(payload(at))})
		p.glitches = append(p.glitches, Glitch{Kind: k, Device: device, At: p.at(sec), Count: 1, KeptAside: true, What: what})
	}
	for range 3 {
		m := machine()
		put(TruncatedJSON, m.id, m.topic, "a message cut off in transit", func(at string) string { return `{"at":"` + at + `","hours":12` })
	}
	for range 2 {
		pt := point()
		put(NotJSON, pt.dispenser, pt.topics[msgStatus], "bytes that are no text", func(string) string { return "\xff\x00\x9c\x31" })
	}
	pt := point()
	put(EmptyPayload, pt.dispenser, pt.topics[msgStatus], "an empty message", func(string) string { return "" })
	for _, pt := range heardPoints {
		if pt.class == gauge || pt.class == gaugeCount {
			put(AbsurdLevel, pt.dispenser, pt.topics[msgLevel], "a level of 430 percent", func(at string) string { return `{"at":"` + at + `","percent":430}` })
			break
		}
	}
	m := machine()
	put(NegativeHours, m.id, m.topic, "negative run-hours", func(at string) string { return `{"at":"` + at + `","hours":-3.2}` })
	m = machine()
	put(UnknownUnit, m.id, m.topic, "run-hours in a unit nobody knows", func(at string) string { return `{"at":"` + at + `","hours":"12 furlongs"}` })
	p.stranger(r)
}

// stranger sends from a device that is not in the register.
func (p *Plant) stranger(r *rand.Rand) {
	const id, n = "disp-new-1", 18
	sec := p.somewhen(r, 0.85, 0.9)
	for i := range n {
		at := sec + int64(i)*3600
		p.specials = append(p.specials, special{sec: at, gateway: -1, topic: p.topic(id, "pulse"),
			payload: fmt.Appendf(nil, `{"at":%q,"count":%d}`, p.at(at).Format(time.RFC3339), 7+i)})
	}
	p.glitches = append(p.glitches, Glitch{Kind: UnknownDevice, Device: id, At: p.at(sec), Until: p.at(sec + (n-1)*3600), Count: n, KeptAside: true,
		What: "a dispenser that is not in the register"})
}

// glitchCounters gives healthy devices one counter glitch each.
func (p *Plant) glitchCounters(r *rand.Rand) {
	var pulses, hours []int
	for i := range p.points {
		if p.points[i].class.pulsePaced() && !p.points[i].faulty {
			pulses = append(pulses, i)
		}
	}
	for i := range p.machines {
		if m := &p.machines[i]; m.signal == hoursOnly && m.use != noRun && m.lost == (span{}) {
			hours = append(hours, i)
		}
	}
	r.Shuffle(len(pulses), func(i, j int) { pulses[i], pulses[j] = pulses[j], pulses[i] })
	r.Shuffle(len(hours), func(i, j int) { hours[i], hours[j] = hours[j], hours[i] })
	step := int64(p.opt.ReportEvery / time.Second)
	for i, at := range pulses {
		pt := &p.points[at]
		sec := p.somewhen(r, 0.3, 0.9) / step * step
		p.glitchCounter(&pt.glitch, pt.dispenser, i, sec, step, pt.phase)
	}
	for i, at := range hours {
		m := &p.machines[at]
		sec := p.somewhen(r, 0.3, 0.9) / step * step
		p.glitchCounter(&m.glitch, m.id, i+1, sec, step, m.phase)
	}
}

func (p *Plant) glitchCounter(g *counterGlitch, device string, which int, sec, step, phase int64) {
	out := Glitch{Device: device, At: p.at(sec + phase), Count: 1}
	switch which {
	case 0:
		g.reset = sec
		out.Kind, out.Count, out.What = CounterReset, 0, "the device restarted and counts from nought"
	case 1:
		g.zero = sec / 3600
		out.Kind, out.What = TransientZero, "one nought between good counts"
	case 2:
		g.absurd = sec / 3600
		out.Kind, out.What = AbsurdJump, "one count far beyond what is possible"
	case 3:
		g.repeats = span{sec, sec + 10*step}
		out.Kind, out.Count, out.Until, out.What = Repeats, 10, p.at(sec+10*step), "messages sent twice"
	default:
		return
	}
	p.glitches = append(p.glitches, out)
}

// holdBack lets one gateway lose its uplink for some hours, keep its messages,
// and send them afterwards newest first.
func (p *Plant) holdBack(r *rand.Rand) {
	i := r.IntN(len(p.gateways))
	from := p.somewhen(r, 0.5, 0.9)
	g := &p.gateways[i]
	g.backlog = span{from, from + int64(uniform(r, 5, 11)*3600)}
	if g.silent != (span{}) && g.backlog.to > g.silent.from {
		g.backlog = span{}
		return
	}
	p.glitches = append(p.glitches, Glitch{Kind: LateDisordered, Device: g.id, At: p.at(g.backlog.from), Until: p.at(g.backlog.to),
		What: "messages held back by an outage and sent later, newest first"})
}
