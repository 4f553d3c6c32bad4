package duty

import (
	"math"

	"dwindle/config"
)

// pattern is how duty differs by day type, in units of the mean day of an
// ordinary week.
type pattern struct {
	mean float64                  // duty of the mean day, h or pulses
	h    [config.DayTypes]float64 // a type's duty
	g    [config.DayTypes]float64 // a type's variance, relative to that of the mean day
	err  [config.DayTypes]float64 // variance of h, in s2
}

// The moved pattern: a half-life of a week and one pseudo-day of the lasting
// one per day type, which after a change of schedule is mostly new within two
// weeks (chosen on simulated and open data).
const (
	movedForget = 0.9
	movedAnchor = 1
)

const leastNoise = 0.02 // of g: no type is perfectly even

// learn learns the pattern from all of history with weights
// discount^age, shrunk towards the group's mean by priorDays; stops are left
// out. ok is false where nothing was used.
func (p *pattern) learn(before *past, recent *window, out *[windowDays]bool) bool {
	s := before.types
	s.scale(powers[recent.n])
	for i := range recent.n {
		if recent.seen[i] > 0 && !out[i] {
			s.add(recent, i, powers[recent.n-1-i])
		}
	}
	var gw, ge [groups]float64
	for t := range config.ShutdownType {
		gw[groupOf(t)] += s.w[t]
		ge[groupOf(t)] += s.e[t]
	}
	overall := (ge[working] + ge[weekend]) / (gw[working] + gw[weekend])
	if !(s.origin+overall > 0) {
		return false
	}
	// All of these are distances from the origin at first.
	for t := range config.ShutdownType {
		g := groupOf(t)
		base := overall
		if gw[g] > 0 {
			base = ge[g] / gw[g]
		}
		p.h[t] = (s.e[t] + priorDays*base) / (s.w[t] + priorDays)
	}
	if s.w[config.HolidayType] == 0 {
		p.h[config.HolidayType] = p.h[config.Sunday]
	}
	p.mean = 0
	for t := config.Monday; t <= config.Sunday; t++ {
		p.mean += p.h[t] / 7
	}
	if !(s.origin+p.mean > 0) {
		p.mean = overall
	}
	p.spread(&s)
	p.mean += s.origin
	for t := range config.ShutdownType {
		p.h[t] = max(0, s.origin+p.h[t]) / p.mean
	}
	return true
}

// spread learns the variance of single days by type about their mean, pooled in
// the group with priorVarDays.
func (p *pattern) spread(s *typeSums) {
	var ss [types]float64
	var gs, gw [groups]float64
	for t := range config.ShutdownType {
		ss[t] = s.about(t, p.h[t])
		gs[groupOf(t)] += ss[t]
		gw[groupOf(t)] += s.w[t]
	}
	s2 := (gs[working] + gs[weekend]) / (gw[working] + gw[weekend])
	for t := range config.ShutdownType {
		base := s2
		if g := groupOf(t); gw[g] > 0 {
			base = gs[g] / gw[g]
		}
		p.g[t] = 1
		if s2 > 0 {
			p.g[t] = math.Max(leastNoise, (ss[t]+priorVarDays*base)/(s.w[t]+priorVarDays)/s2)
		}
		p.err[t] = p.g[t] / (s.n[t] + priorDays)
	}
}

// moved is the pattern of late: means with weights forget^age, shrunk towards
// the slow pattern by anchor days.
func (p *pattern) moved(before *past, recent *window, out *[windowDays]bool) pattern {
	const anchor = movedAnchor
	s := before.late
	s.scale(latePowers[recent.n])
	for i := range recent.n {
		if recent.seen[i] > 0 && !out[i] {
			s.add(recent, i, latePowers[recent.n-1-i])
		}
	}
	var sy, sh float64
	for t := range s.w {
		sy += s.y[t]
		sh += s.w[t] * p.h[t]
	}
	q := *p
	if !(sy > 0) || !(sh > 0) {
		return q
	}
	base := sy / sh // duty of the mean day of late, by the slow pattern
	mean := 0.0
	for t := range config.ShutdownType {
		q.h[t] = (s.y[t]/base + anchor*p.h[t]) / (s.w[t] + anchor)
		if t <= config.Sunday {
			mean += q.h[t] / 7
		}
		q.err[t] = p.g[t] / (s.w[t] + anchor)
	}
	for t := range config.ShutdownType {
		q.h[t] /= mean
	}
	return q
}

// steps writes the window's days as the filters see them, in duty.
func (p *pattern) steps(recent *window, out *[windowDays]bool, steps *[windowDays]step) []step {
	for i := range recent.n {
		steps[i] = step{}
		if seen := float64(recent.seen[i]); seen > 0 && !out[i] {
			t := recent.kind[i]
			// A day of rest says nothing of the level. Counted, its certain 0
			// would speak for members that take all noise for movement.
			if p.h[t] > 0 || recent.amount[i] > 0 {
				steps[i] = step{h: seen * p.h[t], g: seen * p.g[t], y: recent.amount[i]}
			}
		}
	}
	return steps[:recent.n]
}
