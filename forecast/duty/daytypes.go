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
func (m *Model) fitDayTypes(s *sums) {
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
	if overall == 0 {
		m.notice = noUse(s.seen)
	}
}

// fitNoise learns the variances from the days that are still in the window,
// which holds more than the rung needs unless few days in a month are seen.
func (m *Model) fitNoise(recent *window, s *sums) {
	var gw, gy [groups]float64
	for g := range groups {
		gw[g], gy[g] = s.group(g)
	}
	overall := (gy[working] + gy[weekend]) / (gw[working] + gw[weekend])
	var ss, w [types]float64
	for i := range recent.n {
		if seen := float64(recent.seen[i]); seen > 0 {
			// The residual of a part day scales with the root of the share.
			t, age := recent.kind[i], powers[recent.n-1-i]
			r := recent.amount[i] - seen*m.mean[t]
			ss[t] += age * r * r
			w[t] += age * seen
		}
	}
	var gs, rw [groups]float64
	var weights, squares, spent float64
	for t := range config.ShutdownType {
		gs[groupOf(t)] += ss[t]
		rw[groupOf(t)] += w[t]
		weights += s.w[t]
		squares += s.q[t]
		spent += s.w[t] / (s.w[t] + priorDays)
	}
	spent++ // the level
	effective := weights * weights / squares
	inflate := effective / math.Max(1, effective-spent)
	m.df = math.Max(minDF, effective-spent)
	pooled := 0.0
	if sum := rw[working] + rw[weekend]; sum > 0 {
		pooled = (gs[working] + gs[weekend]) / sum
	}
	for t := range config.ShutdownType {
		g := groupOf(t)
		base := pooled
		if rw[g] > 0 {
			base = gs[g] / rw[g]
		}
		v := (ss[t] + priorVarDays*base) / (w[t] + priorVarDays)
		m.noise[t] = inflate * math.Max(v, 0.02*pooled)
		if s.w[t] > 0 {
			m.ownVar[t] = m.noise[t] * s.q[t] / (s.w[t] * s.w[t])
		}
	}
	for g := range groups {
		m.spread[g] = m.groupSpread(s, g, gw[g], overall)
	}
	stretch := persistence(recent.kind[:recent.n], recent.amount[:recent.n], recent.seen[:recent.n], m)
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
