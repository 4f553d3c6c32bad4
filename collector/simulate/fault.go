package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// FaultKind is what is really wrong.
type FaultKind string

// The kinds of faults.
const (
	BlockedLine     FaultKind = "blocked_line"
	PartialBlockage FaultKind = "partial_blockage"
	SettingFound    FaultKind = "setting_changed"     // the device reports its setting
	SettingHidden   FaultKind = "setting_hidden"      // it does not
	LeakingFitting  FaultKind = "leaking_fitting"     // grease is lost beside the bearing
	GatewaySilent   FaultKind = "gateway_silent"      // nothing behind it is heard
	DispenserSilent FaultKind = "dispenser_silent"    // one device is not heard
	RunSignalLost   FaultKind = "run_signal_lost"     // a machine's use is not heard
	BlockedUnseen   FaultKind = "blocked_line_unseen" // blocked, but the device only counts
	MissedPulses    FaultKind = "missed_pulses"       // the controller pulses, the device does not count
	DeviceStopped   FaultKind = "device_stopped"      // no strokes though the machine runs
	MachineBusier   FaultKind = "machine_busier"      // used more than planned from a day on
)

// Fault is something wrong in the plant, whether or not it can be seen.
type Fault struct {
	Kind FaultKind
	// What it strikes: a point and its dispenser, a machine, or a gateway.
	Point, Device, Machine, Gateway string
	// Start and End bound it; a zero End means that it still lasts.
	Start, End time.Time
	// Size is the true delivery over the wanted one for faults of delivery,
	// the share of pulses missed, or how much more the machine is used.
	Size float64
	// Observable says that the evidence at hand at the end of the history can
	// show it; Why says what shows it or what is missing.
	Observable bool
	Why        string
}

// Where names what the fault strikes, its most particular place first.
func (f Fault) Where() string {
	for _, id := range []string{f.Point, f.Device, f.Machine} {
		if id != "" {
			return id
		}
	}
	return f.Gateway
}

// placeFaults strikes each kind once where something suits it, and some more
// at random. No point gets two, so that each can be judged alone.
func (p *Plant) placeFaults() {
	if p.opt.Healthy {
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

// missetPoint turns the multiple of a wrong setting into one the device has.
func (pt *point) missetPoint() {
	if pt.trouble.what != misset {
		return
	}
	want := pt.setting * pt.trouble.size
	pt.trouble.size = math.Max(0.1, roundTo(want, 0.1))
	if !pt.class.pulsePaced() {
		return
	}
	best := math.Inf(1)
	for _, q := range pulseSteps {
		if d := math.Abs(math.Log(q / want)); q != pt.setting && d < best {
			best, pt.trouble.size = d, q
		}
	}
}

// settleFaults gives each fault its size, and says from the truth whether the
// evidence can show it by the end.
func (p *Plant) settleFaults() {
	for i := range p.faults {
		f := &p.faults[i]
		pt := p.point(f.Point)
		if pt == nil {
			continue
		}
		if f.Kind == BlockedUnseen {
			p.settleUnseen(f, pt)
		}
		p.judgeFault(f, pt)
	}
	slices.SortStableFunc(p.faults, func(a, b Fault) int { return a.Start.Compare(b.Start) })
}

// settleUnseen moves a blockage that nothing measures behind the last change:
// a crew that took out a full reservoir would have seen it.
func (p *Plant) settleUnseen(f *Fault, pt *point) {
	last := pt.fills[len(pt.fills)-1].from
	if last < pt.trouble.from {
		return
	}
	pt.trouble.from = (last/3600 + 24) * 3600
	f.Start = p.at(pt.trouble.from)
	p.feedPoint(pt)
}

func (p *Plant) judgeFault(f *Fault, pt *point) {
	from, to := pt.trouble.from, min(pt.trouble.to, p.endSec())
	step := pt.usable * p.opt.LevelStepPercent / 100
	if pt.class == flow {
		step = 0.5
	}
	told := p.toldBetween(pt, from, to)
	f.Size = 1
	if told > 0 {
		f.Size = (pt.outAt(to) - pt.outAt(from)) / told
	}
	// A level sensor's step shows at both ends of a window, so a deviation has
	// to exceed some steps, and a ratio needs some more in the denominator.
	visible := math.Abs(f.Size-1)*told >= 2*step && told >= 5*step
	short := fmt.Sprintf("since it began only %.3g cm3 were due and the sensor's step is %.2g cm3", told, step)
	switch f.Kind {
	case BlockedLine:
		f.Observable, f.Why = visible, "the measurement stands still while the machine runs"
	case PartialBlockage, LeakingFitting:
		f.Observable, f.Why = visible, "the level falls at another rate than commanded"
	case SettingHidden:
		f.Observable, f.Why = visible, fmt.Sprintf("the device does not tell its setting (really %.1f, registered %.1f cm3/100 h), but level and strokes show it", pt.trouble.size, pt.setting)
	case SettingFound:
		f.Observable, f.Why = true, fmt.Sprintf("the device reports %g, the register says %g", pt.trouble.size, pt.setting)
		return
	case BlockedUnseen:
		f.Observable, f.Why = false, "the device only counts its own doses; nothing measures what goes out"
		return
	case MissedPulses:
		f.Size = pt.trouble.size
		since := max(from, to-28*86400) // counts are compared over four weeks
		due := pt.perPulse * float64(to-since) / 86400
		if m := &p.machines[pt.machine]; m.use != noRun {
			due = pt.perPulse / 100 * (m.hoursAt(to) - m.hoursAt(since))
		}
		f.Observable, f.Why = due >= 16, "the device counts fewer pulses than the plan expects"
		short = fmt.Sprintf("only %.0f pulses were due in the last four weeks", due)
	case DeviceStopped:
		f.Observable, f.Why = told >= 3*pt.dose, "the stroke count stands still while the machine runs"
		short = "the machine has hardly run since it began"
	case DispenserSilent:
		f.Size, f.Observable, f.Why = 0, true, "its messages stop while others behind the same gateway are heard"
		return
	}
	if !f.Observable {
		f.Why = short
	}
}

// toldBetween is the volume commanded by the registered setting and the
// machine's use, or by the controller's pulses that the device counted.
func (p *Plant) toldBetween(pt *point, from, to int64) float64 {
	if pt.class.pulsePaced() {
		return float64(pt.countAt(to)-pt.countAt(from)) * pt.setting
	}
	m := &p.machines[pt.machine]
	return (m.hoursAt(to) - m.hoursAt(from)) * pt.setting / 100
}

// point finds a point by id, nil if there is none.
func (p *Plant) point(id string) *point {
	if i, ok := p.byID[id]; ok {
		return &p.points[i]
	}
	return nil
}
