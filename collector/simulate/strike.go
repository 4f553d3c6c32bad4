package simulate

import (
	"math"
	"math/rand/v2"
	"slices"
)

// placeFaults strikes each kind once where something suits it, and some more
// at random. No point gets two, so that each can be judged alone.
func (p *Plant) placeFaults() {
	const least = 5 // days of history in which a beginning can be seen
	if p.opt.Healthy || p.opt.Days < least {
		return
	}
	r := p.stream("faults")
	quiet := p.quietGateway(r)
	p.strikeRunSignal(r, quiet)
	p.strikeBusier(r, quiet)
	kinds := []FaultKind{BlockedLine, SettingHidden, LeakingFitting, BlockedUnseen, MissedPulses, DeviceStopped, SettingFound, PartialBlockage, DispenserSilent}
	for _, k := range kinds {
		p.strikePoint(r, k, quiet, true)
	}
	extra := []FaultKind{BlockedLine, PartialBlockage, SettingFound, LeakingFitting}
	for range 1 + r.IntN(2) + len(p.points)/50 {
		p.strikePoint(r, extra[r.IntN(len(extra))], quiet, false)
	}
	if quiet >= 0 {
		g := &p.gateways[quiet]
		from := p.endSec() - int64(26+r.IntN(16))*3600
		g.silent = span{from, math.MaxInt64}
		p.faults = append(p.faults, Fault{
			Kind: GatewaySilent, Gateway: g.id, Start: p.at(from), Observable: true,
			Why: "every machine and dispenser behind it falls silent at once",
		})
	}
}

// quietGateway picks the gateway that will fall silent: one of several, with
// few points, so that most of the plant stays in sight. -1: none.
func (p *Plant) quietGateway(r *rand.Rand) int {
	if len(p.gateways) < 2 {
		return -1
	}
	n := make([]int, len(p.gateways))
	for i := range p.points {
		n[p.gatewayOf(&p.points[i])]++
	}
	order := make([]int, 0, len(n))
	for i, k := range n {
		if k >= 3 || len(p.points) < 12 {
			order = append(order, i)
		}
	}
	if len(order) == 0 {
		return -1
	}
	slices.SortStableFunc(order, func(a, b int) int { return n[a] - n[b] })
	return order[r.IntN((len(order)+1)/2)]
}

func (p *Plant) strikeRunSignal(r *rand.Rand, quiet int) {
	i := p.pickMachine(r, func(m *machine) bool { return m.use != noRun && m.gateway != quiet && m.use != campaigns })
	if i < 0 {
		return
	}
	m := &p.machines[i]
	from := p.endSec() - p.daysBack(r, 3, 8)*86400 + int64(r.IntN(24))*3600
	m.lost = span{from, math.MaxInt64}
	p.markPoints(i)
	p.faults = append(p.faults, Fault{
		Kind: RunSignalLost, Machine: m.id, Start: p.at(from), Observable: true,
		Why: "its run messages stop while other devices behind the same gateway are heard",
	})
}

func (p *Plant) strikeBusier(r *rand.Rand, quiet int) {
	i := p.pickMachine(r, func(m *machine) bool { return (m.use == oneShift || m.use == twoShifts) && m.gateway != quiet })
	if i < 0 {
		return
	}
	m := &p.machines[i]
	back := p.daysBack(r, 40, 70)
	m.busier = busier{day: p.opt.Days - int(back), factor: 1.6}
	p.markPoints(i)
	p.faults = append(p.faults, Fault{
		Kind: MachineBusier, Machine: m.id, Start: p.at(p.dateStart(m.busier.day)), Size: m.busier.factor, Observable: true,
		Why: "its run-hours show it; the empty dates of its points move forward",
	})
}

// pickMachine takes a machine whose points are all free and suited to show
// what is wrong with it. Small plants do without.
func (p *Plant) pickMachine(r *rand.Rand, fits func(*machine) bool) int {
	if len(p.points) < 12 {
		return -1
	}
	var free []int
	for i := range p.machines {
		ok := fits(&p.machines[i])
		for j := range p.points {
			ok = ok && (p.points[j].machine != i || !p.points[j].faulty && !p.points[j].class.pulsePaced())
		}
		if ok {
			free = append(free, i)
		}
	}
	if len(free) == 0 {
		return -1
	}
	return free[r.IntN(len(free))]
}

func (p *Plant) markPoints(machine int) {
	for j := range p.points {
		if p.points[j].machine == machine {
			p.points[j].faulty = true
		}
	}
}

// daysBack draws how long ago a fault began, at most 40 % of the history.
func (p *Plant) daysBack(r *rand.Rand, lo, hi float64) int64 {
	return int64(math.Max(1, math.Min(uniform(r, lo, hi), 0.4*float64(p.opt.Days))))
}

// suits says which dispensers a kind of fault can strike so that it is that
// kind of fault, and how many days ago it begins.
var suits = map[FaultKind]struct {
	ailment ailment
	lo, hi  float64
	fits    func(class) bool
}{
	BlockedLine:     {blocked, 15, 40, func(c class) bool { return c.measuredLevel() || c == flow }},
	PartialBlockage: {throttled, 30, 60, class.measuredLevel},
	SettingFound:    {misset, 6, 40, func(c class) bool { return c == gauge || c == pulseGauge }},
	SettingHidden:   {misset, 30, 60, func(c class) bool { return c == gaugeCount }},
	LeakingFitting:  {leaking, 15, 40, class.measuredLevel},
	BlockedUnseen:   {blocked, 20, 45, func(c class) bool { return c == strokes || c == pulseCount }},
	MissedPulses:    {missingPulses, 30, 60, class.pulsePaced},
	DeviceStopped:   {halted, 6, 25, class.countsStrokes},
	DispenserSilent: {well, 3, 9, func(c class) bool { return c != bare }},
}

func (p *Plant) strikePoint(r *rand.Rand, k FaultKind, quiet int, standing bool) {
	suit := suits[k]
	var free []int
	for i := range p.points {
		pt := &p.points[i]
		if !pt.faulty && suit.fits(pt.class) && p.gatewayOf(pt) != quiet && p.machines[pt.machine].use != campaigns {
			free = append(free, i)
		}
	}
	pick, back, upto := r.Float64(), p.daysBack(r, suit.lo, suit.hi), 20+r.IntN(20)
	if len(free) == 0 {
		return
	}
	pt := &p.points[free[int(pick*float64(len(free)))]]
	f := Fault{Kind: k, Point: pt.id, Device: pt.dispenser, Machine: p.machines[pt.machine].id}
	from, to := p.endSec()-back*86400+int64(r.IntN(24))*3600, int64(math.MaxInt64)
	if !standing {
		// An extra one lies further back and was put right after some weeks.
		from -= int64(float64(p.opt.Days) * 0.3 * 86400)
		to = from + int64(upto)*86400
		f.End = p.at(to)
	}
	f.Start = p.at(from)
	pt.faulty = true
	if k == DispenserSilent {
		pt.silent = span{from, to}
	} else {
		pt.trouble = trouble{what: suit.ailment, span: span{from, to}}
	}
	p.faults = append(p.faults, f)
	pt.trouble.size = p.sizeOf(r, k)
}

// sizeOf draws how bad a fault is. For a wrong setting it is the multiple of
// the right one, made a setting that the device has in settleFaults.
func (p *Plant) sizeOf(r *rand.Rand, k FaultKind) float64 {
	u, over := r.Float64(), r.Float64() < 0.5
	switch k {
	case PartialBlockage:
		return 0.45 + 0.1*u
	case SettingFound, SettingHidden:
		if over {
			return 1.5 + 0.4*u
		}
		return 0.45 + 0.15*u
	case LeakingFitting:
		return 0.7 + 0.5*u
	case MissedPulses:
		return 0.35 + 0.1*u
	}
	return 0
}
