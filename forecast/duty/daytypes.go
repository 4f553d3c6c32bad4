package duty

import (
	"math"

	"dwindle/config"
)

// unseenSpread is how far the mean of a group that was never seen may lie from
// that of the rest; a guess, wide on purpose.
const unseenSpread = 0.5 // relative sd

// minDF keeps the t distribution from having no variance.
const minDF = 3

// fitDayTypes estimates the mean of each day type, shrunk towards its group's
// mean by priorDays pseudo-days; the variance of single days, pooled in the
// same way; and how uncertain all of that is.
func (m *Model) fitDayTypes(history []Day, s *sums) {
	m.rung = RungDayTypes
	var gw, gy [groups]float64
	for g := range groups {
		gw[g], gy[g] = s.group(g)
	}
	overall := (gy[working] + gy[weekend]) / (gw[working] + gw[weekend])
	for t := range config.ShutdownType {
		g := groupOf(t)
		if gw[g] == 0 {
			m.mean[t], m.blind[g] = overall, true
			continue
		}
		m.own[t] = s.w[t] / (s.w[t] + priorDays)
		m.share[t] = s.w[t] / gw[g]
		m.mean[t] = (s.y[t] + priorDays*gy[g]/gw[g]) / (s.w[t] + priorDays)
	}
	m.holidayIsSunday = s.w[config.HolidayType] == 0
	m.fitNoise(history, s, gw, overall)
	if overall == 0 {
		m.notice = noUse(s.seen)
	}
}

func (m *Model) fitNoise(history []Day, s *sums, gw [groups]float64, overall float64) {
	var ss [config.DayTypes]float64
	for i, age := len(history)-1, 1.0; i >= 0; i, age = i-1, age*discount {
		d := history[i]
		if amount, seen, _, ok := usable(d, m.maxPerDay); ok {
			// The residual of a part day scales with the root of the share.
			r := amount - seen*m.mean[d.Type]
			ss[d.Type] += age * r * r
		}
	}
	var gs [groups]float64
	var weights, squares, spent float64
	for t := range config.ShutdownType {
		gs[groupOf(t)] += ss[t]
		weights += s.w[t]
		squares += s.q[t]
		spent += s.w[t] / (s.w[t] + priorDays)
	}
	spent++ // the level
	effective := weights * weights / squares
	inflate := effective / math.Max(1, effective-spent)
	m.df = math.Max(minDF, effective-spent)
	pooled := (gs[working] + gs[weekend]) / weights
	for t := range config.ShutdownType {
		g := groupOf(t)
		base := pooled
		if gw[g] > 0 {
			base = gs[g] / gw[g]
		}
		v := (ss[t] + priorVarDays*base) / (s.w[t] + priorVarDays)
		m.noise[t] = inflate * math.Max(v, 0.02*pooled)
		if s.w[t] > 0 {
			m.ownVar[t] = m.noise[t] * s.q[t] / (s.w[t] * s.w[t])
		}
	}
	for g := range groups {
		m.spread[g] = m.groupSpread(s, g, gw[g], overall)
	}
	stretch := persistence(history, m)
	for t := range config.ShutdownType {
		m.noise[t] *= stretch
		m.ownVar[t] *= stretch
	}
}

// groupSpread estimates the variance of the true means of a group's types by
// the method of moments; for a group that was never seen it is a wide guess.
func (m *Model) groupSpread(s *sums, g int, weight, overall float64) float64 {
	if weight == 0 {
		return unseenSpread * unseenSpread * overall * overall
	}
	var about, noise, mean float64
	for t := range config.ShutdownType {
		if groupOf(t) == g {
			mean += s.y[t] / weight
		}
	}
	for t := range config.ShutdownType {
		if groupOf(t) == g && s.w[t] > 0 {
			d := s.y[t]/s.w[t] - mean
			about += s.w[t] / weight * d * d
			noise += s.w[t] / weight * m.ownVar[t] * (1 - s.w[t]/weight)
		}
	}
	return math.Max(0, about-noise)
}
