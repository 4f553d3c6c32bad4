package simulate

import (
	"math"
	"sort"
)

// ailment is what a fault does to one point's delivery.
type ailment uint8

const (
	well ailment = iota
	blocked
	throttled     // delivers a share of what it should
	misset        // set to a multiple of the registered setting
	leaking       // loses a multiple of the planned flow beside the bearing
	missingPulses // the device misses a share of the pulses
	halted        // makes no strokes though the machine runs
)

type trouble struct {
	what ailment
	span
	size float64
}

// fill is one reservoir in service.
type fill struct {
	from   int64   // second at which it was put in
	volume float64 // what really was put in
}

// feedPoint works out hour by hour what the device counts and what really goes
// out, as if the reservoir never ran dry; the fills then take their part.
func (p *Plant) feedPoint(pt *point) {
	r := p.stream("feed " + pt.id)
	m := &p.machines[pt.machine]
	pt.count = make([]int32, p.hours+1)
	pt.out = make([]float64, p.hours+1)
	drip := p.plannedPerDay(pt) / 24
	owed, passed := r.Float64(), 0.5
	for h := range p.hours {
		sec := int64(h) * 3600
		ail := well
		if pt.trouble.holds(sec) {
			ail = pt.trouble.what
		}
		setting, n := pt.settingAt(sec), 0
		owed, n = pt.strokesIn(h, m, p, setting, owed)
		seen := n
		switch ail {
		case missingPulses:
			// A contact that closes too short now and then: a steady share.
			passed += float64(n) * (1 - pt.trouble.size)
			seen = int(passed)
			passed -= float64(seen)
		case halted:
			seen = 0
		}
		pt.count[h+1] = pt.count[h] + int32(seen)
		factor := pt.factor
		switch ail {
		case blocked:
			factor = 0
		case throttled:
			factor *= pt.trouble.size
		}
		volume := 0.0
		if seen > 0 {
			each := pt.dose
			if pt.class.pulsePaced() {
				each = setting
			}
			// The scatter of one dose is 10 %; a model's stroke_sd_percent says so.
			volume = math.Max(0, float64(seen)*each*factor*(1+0.10*r.NormFloat64()/math.Sqrt(float64(seen))))
		}
		if ail == leaking {
			volume += drip * pt.trouble.size
		}
		pt.out[h+1] = pt.out[h] + volume
	}
}

// strokesIn is how many strokes or controller pulses fall into an hour; what is
// owed carries over.
func (pt *point) strokesIn(h int, m *machine, p *Plant, setting, owed float64) (float64, int) {
	run := math.Abs(float64(m.run[h]))
	switch {
	case m.use == noRun:
		if p.site.Shutdown(m.id, p.civilOf(int64(h)*3600)) == nil {
			owed += pt.perPulse / 24
		}
	case pt.class.pulsePaced():
		owed += run * pt.perPulse / 100
	default:
		owed += run * setting / 100 / pt.dose
	}
	n := math.Floor(owed)
	return owed - n, int(n)
}

// settingAt is what the device is really set to.
func (pt *point) settingAt(sec int64) float64 {
	if pt.trouble.what == misset && pt.trouble.holds(sec) {
		return pt.trouble.size
	}
	return pt.setting
}

// plannedPerDay is the registered setting's mean use, cm3 a day.
func (p *Plant) plannedPerDay(pt *point) float64 {
	m := &p.machines[pt.machine]
	switch {
	case m.use == noRun:
		return pt.perPulse * pt.setting
	case pt.class.pulsePaced():
		return m.perWeek / 7 / 100 * pt.perPulse * pt.setting
	}
	return m.perWeek / 7 / 100 * pt.setting
}

// outAt is the volume that would have gone out from the start to a second.
func (pt *point) outAt(sec int64) float64 {
	h := sec / 3600
	if int(h) >= len(pt.out)-1 {
		return pt.out[len(pt.out)-1]
	}
	return pt.out[h] + (pt.out[h+1]-pt.out[h])*float64(sec%3600)/3600
}

// countAt is what the device has counted from the start to a second.
func (pt *point) countAt(sec int64) int64 {
	h := sec / 3600
	if int(h) >= len(pt.count)-1 {
		return int64(pt.count[len(pt.count)-1])
	}
	in := int64(pt.count[h+1] - pt.count[h])
	return int64(pt.count[h]) + in*(sec%3600)/3600
}

// fillAt is the fill in service at a second.
func (pt *point) fillAt(sec int64) fill {
	i := sort.Search(len(pt.fills), func(i int) bool { return pt.fills[i].from > sec })
	return pt.fills[max(0, i-1)]
}

// leftAt is what is really left at a second, cm3, never below 0.
func (pt *point) leftAt(sec int64) float64 {
	f := pt.fillAt(sec)
	return math.Max(0, f.volume-(pt.outAt(sec)-pt.outAt(f.from)))
}
