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
func (p *pattern) learn(history []Day, maxPerDay float64, out []bool) bool {
	var w, y, n [config.DayTypes]float64
	age := 1.0
	for i := len(history) - 1; i >= 0; i-- {
		d := history[i]
		if amount, seen, _, ok := usable(d, maxPerDay); ok && !out[i] {
			w[d.Type] += age * seen
			y[d.Type] += age * amount
			n[d.Type] += seen
		}
		age *= discount
	}
	var gw, gy [groups]float64
	for t := range config.ShutdownType {
		gw[groupOf(t)] += w[t]
		gy[groupOf(t)] += y[t]
	}
	overall := (gy[working] + gy[weekend]) / (gw[working] + gw[weekend])
	if !(overall > 0) {
		return false
	}
	for t := range config.ShutdownType {
		g := groupOf(t)
		base := overall
		if gw[g] > 0 {
			base = gy[g] / gw[g]
		}
		p.h[t] = (y[t] + priorDays*base) / (w[t] + priorDays)
	}
	if w[config.HolidayType] == 0 {
		p.h[config.HolidayType] = p.h[config.Sunday]
	}
	p.mean = 0
	for t := config.Monday; t <= config.Sunday; t++ {
		p.mean += p.h[t] / 7
	}
	if !(p.mean > 0) {
		p.mean = overall
	}
	for t := range config.ShutdownType {
		p.h[t] /= p.mean
	}
	p.spread(history, maxPerDay, out, &w, &n)
	return true
}

// spread learns the variance of single days by type, pooled in the group with
// priorVarDays.
func (p *pattern) spread(history []Day, maxPerDay float64, out []bool, w, n *[config.DayTypes]float64) {
	var ss [config.DayTypes]float64
	age := 1.0
	for i := len(history) - 1; i >= 0; i-- {
		d := history[i]
		if amount, seen, _, ok := usable(d, maxPerDay); ok && !out[i] {
			r := amount/p.mean - seen*p.h[d.Type]
			ss[d.Type] += age * r * r
		}
		age *= discount
	}
	var gs, gw [groups]float64
	for t := range config.ShutdownType {
		gs[groupOf(t)] += ss[t]
		gw[groupOf(t)] += w[t]
	}
	s2 := (gs[working] + gs[weekend]) / (gw[working] + gw[weekend])
	for t := range config.ShutdownType {
		base := s2
		if g := groupOf(t); gw[g] > 0 {
			base = gs[g] / gw[g]
		}
		p.g[t] = 1
		if s2 > 0 {
			p.g[t] = math.Max(leastNoise, (ss[t]+priorVarDays*base)/(w[t]+priorVarDays)/s2)
		}
		p.err[t] = p.g[t] / (n[t] + priorDays)
	}
}

// moved is the pattern of late: means with weights forget^age, shrunk towards
// the slow pattern by anchor days.
func (p *pattern) moved(history []Day, maxPerDay float64, out []bool) pattern {
	const forget, anchor = movedForget, movedAnchor
	var w, y [config.DayTypes]float64
	var sy, sh float64
	age := 1.0
	for i := len(history) - 1; i >= 0 && age > 1e-4; i-- {
		d := history[i]
		if amount, seen, _, ok := usable(d, maxPerDay); ok && !out[i] {
			w[d.Type] += age * seen
			y[d.Type] += age * amount
			sy += age * amount
			sh += age * seen * p.h[d.Type]
		}
		age *= forget
	}
	q := *p
	if !(sy > 0) || !(sh > 0) {
		return q
	}
	base := sy / sh // duty of the mean day of late, by the slow pattern
	mean := 0.0
	for t := range config.ShutdownType {
		q.h[t] = (y[t]/base + anchor*p.h[t]) / (w[t] + anchor)
		if t <= config.Sunday {
			mean += q.h[t] / 7
		}
		q.err[t] = p.g[t] / (w[t] + anchor)
	}
	for t := range config.ShutdownType {
		q.h[t] /= mean
	}
	return q
}

// steps writes history as the filters see it.
func (p *pattern) steps(history []Day, maxPerDay float64, out []bool, steps []step) {
	for i, d := range history {
		amount, seen, _, ok := usable(d, maxPerDay)
		if !ok || out[i] {
			steps[i] = step{}
			continue
		}
		steps[i] = step{h: seen * p.h[d.Type], g: seen * p.g[d.Type], y: amount / p.mean}
	}
}
