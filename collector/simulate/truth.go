package simulate

import (
	"math"
	"sort"
	"time"

	"dwindle/config/civil"
)

// Truth is what is really the case at one point at one time.
type Truth struct {
	RemainingCM3 float64
	// Factor is what goes out over what the setting in force commands, over
	// the week before; 0 for a blocked line.
	Factor float64
	// Empty is when the fill in service runs out if nobody changes it; valid
	// when EmptyKnown.
	Empty      time.Time
	EmptyKnown bool
}

// Truth gives the truth of a point at an instant of the history or the known
// future (in which nobody changes anything). ok is false for an unknown point.
func (p *Plant) Truth(id string, at time.Time) (Truth, bool) {
	pt := p.point(id)
	if pt == nil {
		return Truth{}, false
	}
	sec := p.since(at)
	t := Truth{RemainingCM3: pt.leftAt(sec), Factor: pt.factorAt(p, sec)}
	f := pt.fillAt(sec)
	want := pt.outAt(f.from) + f.volume
	h := sort.Search(len(pt.out), func(h int) bool { return pt.out[h] >= want })
	if h < len(pt.out) {
		t.Empty, t.EmptyKnown = p.at(int64(h)*3600), true
	}
	return t, true
}

// factorAt is delivered over commanded in the week before a second.
func (pt *point) factorAt(p *Plant, sec int64) float64 {
	from := max(0, sec-7*86400)
	told := p.toldBetween(pt, from, sec)
	if pt.trouble.what == misset && pt.class.reportsSetting() && pt.trouble.holds(sec) {
		told *= pt.trouble.size / pt.setting
	}
	if told <= 0 {
		return math.NaN()
	}
	return (pt.outAt(sec) - pt.outAt(from)) / told
}

// delivered is what really went out between two seconds, fills and their dry
// times considered.
func (p *Plant) delivered(pt *point, from, to int64) float64 {
	total := 0.0
	for i, f := range pt.fills {
		begin, end := max(from, f.from), to
		if i+1 < len(pt.fills) {
			end = min(to, pt.fills[i+1].from)
		}
		if end <= begin {
			continue
		}
		at0 := math.Min(pt.outAt(begin)-pt.outAt(f.from), f.volume)
		at1 := math.Min(pt.outAt(end)-pt.outAt(f.from), f.volume)
		total += at1 - at0
	}
	return total
}

// Delivered is the true volume that left a point's dispenser between two
// instants, cm3.
func (p *Plant) Delivered(point string, from, to time.Time) float64 {
	pt := p.point(point)
	if pt == nil {
		return 0
	}
	return p.delivered(pt, p.since(from), p.since(to))
}

// RunHours is the true duty of a machine between two instants, h.
func (p *Plant) RunHours(machine string, from, to time.Time) float64 {
	for i := range p.machines {
		if m := &p.machines[i]; m.id == machine {
			return m.hoursAt(p.since(to)) - m.hoursAt(p.since(from))
		}
	}
	return 0
}

// Counted is how many strokes or pulses a point's dispenser really counted
// between two instants.
func (p *Plant) Counted(point string, from, to time.Time) int64 {
	pt := p.point(point)
	if pt == nil {
		return 0
	}
	return pt.countAt(p.since(to)) - pt.countAt(p.since(from))
}

// Changes are the instants at which a point really got a new reservoir, its
// commissioning first.
func (p *Plant) Changes(point string) []time.Time {
	pt := p.point(point)
	if pt == nil {
		return nil
	}
	out := make([]time.Time, len(pt.fills))
	for i, f := range pt.fills {
		out[i] = p.at(f.from)
	}
	return out
}

// Dates are the whole civil days of the history, for daily evaluation.
func (p *Plant) Dates() (first, last civil.Date) {
	return p.first, p.first + civil.Date(p.opt.Days) - 1
}
