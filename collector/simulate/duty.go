package simulate

import (
	"math"
	"math/rand/v2"

	"dwindle/config"
	"dwindle/config/civil"
)

// runMachine decides for every hour how much of it the machine runs. The day
// patterns are those on which the forecast is scored: shifts with Saturdays,
// round the clock, and days on and off; each with its scatter and with outages.
func (p *Plant) runMachine(m *machine) {
	r := p.stream("duty " + m.id)
	day := make([]float64, p.days)
	draw := m.newDays(r)
	stopped, sum, counted := 0, 0.0, 0
	for d := range day {
		date := p.first + civil.Date(d)
		kind := p.site.DayType(m.id, date)
		h := draw(kind)
		// Every draw is taken on every day, so that a fault on this machine
		// leaves the other days as they would have been.
		outage, length := r.Float64(), 2+int(r.ExpFloat64()*4)
		chance := 1.0 / 70
		if m.use == roundTheClock {
			chance = 1.0 / 150
		}
		if stopped == 0 && h > 0 && outage < chance {
			stopped = length
		}
		if stopped > 0 {
			stopped--
			h = 0
		}
		if kind == config.ShutdownType {
			continue
		}
		sum += h
		counted++
		if m.busier.factor > 0 && d >= m.busier.day {
			h *= m.busier.factor
		}
		day[d] = math.Min(h, 23.8)
	}
	// A planner knows the usual week from long experience, and not exactly.
	perWeek := sum / math.Max(1, float64(counted)) * 7 * (1 + 0.02*r.NormFloat64())
	m.perWeek = roundTo(math.Max(5, math.Min(perWeek, 167)), 0.5)
	p.placeHours(m, day, r)
}

// newDays gives the day's hours of a machine's pattern by the kind of day.
func (m *machine) newDays(r *rand.Rand) func(config.DayType) float64 {
	base, cv := uniform(r, 6.5, 9.5), uniform(r, 0.10, 0.25)
	left, on := 0, false // of a campaign
	return func(kind config.DayType) float64 {
		a, b, c := r.Float64(), lognormal(r, 1, cv), r.Float64()
		weekend, holiday := kind == config.Saturday || kind == config.Sunday, kind == config.HolidayType
		switch m.use {
		case roundTheClock:
			return 22 * (1 + (b-1)*0.06/cv)
		case oneShift:
			switch {
			case kind == config.Sunday || holiday:
				return 0
			case kind == config.Saturday:
				if a < 0.15 {
					return base / 2 * b
				}
				return 0
			}
			return base * b
		case twoShifts:
			switch {
			case kind == config.Sunday || holiday || a < 0.03:
				return 0
			case weekend:
				return 7 * (1 + (b-1)*0.4/cv)
			}
			return 14.5 * (1 + (b-1)*0.12/cv)
		case campaigns:
			if left == 0 {
				on = !on
				left = 1 + int(c*5)
			}
			left--
			if !on || holiday {
				return 0
			}
			return 15 * b
		}
		return 0
	}
}

// firstHour is when a day's work begins, local clock.
func (m *machine) firstHour(r *rand.Rand) float64 {
	early := r.Float64()
	switch m.use {
	case oneShift:
		return 6.5 + early
	case twoShifts:
		return 5 + early
	case campaigns:
		return 3 + 3*early
	}
	return 24 * early // round the clock: where the daily stop falls
}

// placeHours lays each day's hours on the clock.
func (p *Plant) placeHours(m *machine, day []float64, r *rand.Rand) {
	m.run = make([]float32, p.hours)
	for d, h := range day {
		from, to := int(p.dateStart(d)/3600), int(p.dateStart(d+1)/3600)
		first := m.firstHour(r)
		if h <= 0 {
			continue
		}
		length := float64(to - from)
		if m.use == roundTheClock {
			stop := math.Max(0, 24-h)
			begin := math.Min(first, length-stop)
			m.runFrom(from, 0, begin)
			m.runFrom(from, begin+stop, length)
			continue
		}
		first = math.Max(0, math.Min(first, length-h))
		m.runFrom(from, first, math.Min(first+h, length))
	}
	m.cum = make([]float64, p.hours+1)
	for i, f := range m.run {
		m.cum[i+1] = m.cum[i] + math.Abs(float64(f))
	}
}

// runFrom marks the machine as running from a to b hours after a day's start.
// Within one hour there is one stretch, at its beginning or at its end.
func (m *machine) runFrom(start int, a, b float64) {
	for i := int(a); float64(i) < b; i++ {
		lo, hi := math.Max(a-float64(i), 0), math.Min(b-float64(i), 1)
		at := start + i
		if hi <= lo || at >= len(m.run) {
			continue
		}
		was := math.Abs(float64(m.run[at]))
		share := math.Min(1, was+hi-lo)
		if hi == 1 && lo > 0 && was == 0 {
			share = -share
		}
		m.run[at] = float32(share)
	}
}

// hoursAt is the machine's run-hours from the start to a second.
func (m *machine) hoursAt(sec int64) float64 {
	h := sec / 3600
	if int(h) >= len(m.run) {
		return m.cum[len(m.cum)-1]
	}
	x, f := float64(sec%3600)/3600, float64(m.run[h])
	if f >= 0 {
		return m.cum[h] + math.Min(x, f)
	}
	return m.cum[h] + math.Max(0, x-1-f)
}

// runningAt says whether the machine runs at a second.
func (m *machine) runningAt(sec int64) bool {
	h := sec / 3600
	if int(h) >= len(m.run) {
		return false
	}
	x, f := float64(sec%3600)/3600, float64(m.run[h])
	if f >= 0 {
		return x < f
	}
	return x >= 1+f
}
