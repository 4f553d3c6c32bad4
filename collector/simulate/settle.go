package simulate

import (
	"fmt"
	"math"
	"slices"
)

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
	pt.trouble.from = max(min((last/3600+24)*3600, p.endSec()-3600), (last/3600+1)*3600)
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
