package duty

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// ahead rolls one member over the days to come: constant work per day.
type ahead struct {
	kind               *memberKind
	l                  level
	r                  float64 // step variance from now on
	mean               float64
	vx, vs, cov        float64 // variance of x, of the sum through x, and between the two
	most, mostVar      float64 // of cumulative duty so far, in h or pulses: neither ever falls
	fade, lasts, fades float64 // phi^day; sums of duty through mu and through today's x
}

// sofar is what all members of a pattern share.
type sofar struct {
	used      bool
	days, err float64 // variance of single days and of the pattern, in s2
	// Of the counts of days by type, c, and the errors of the pattern, e: the
	// sums over weekdays of c, e, e c and e c^2; and the count of each type.
	c, e, ec, ecc float64
	count         [config.DayTypes]float64
}

func (s *sofar) add(p *pattern, t config.DayType, share float64) {
	c, e := s.count[t], p.err[t]
	s.count[t] += share
	s.days += share * p.g[t]
	if t <= config.Sunday {
		s.c += share
		s.ec += share * e
		s.ecc += e * share * (2*c + share)
	}
	// An error of the pattern cancels over whole weeks, because the level
	// takes it up: only the surplus of a type over the others counts, the sum
	// of e (c - mean c)^2.
	mean := s.c / 7
	h := s.count[config.HolidayType]
	s.err = max(0, s.ecc-2*mean*s.ec+mean*mean*s.e) + h*h*p.err[config.HolidayType]
}

// tomorrow lets time pass.
func (a *ahead) tomorrow() {
	phi := a.kind.phi
	a.l.x *= phi
	a.vx = phi*phi*a.vx + a.r
	a.cov *= phi
	a.fade *= phi
}

// use adds a day of duty h x level; most is the physical limit in mean days.
func (a *ahead) use(h, most float64) {
	a.vs += 2*h*a.cov + h*h*a.vx
	a.cov += h * a.vx
	a.lasts += h
	a.fades += h * a.fade
	a.mean += min(most, h*max(levelFloor, a.l.mu+a.l.x))
}

func (a *ahead) variance(s *sofar) float64 {
	l := &a.l
	return l.s2 * (a.vs + l.pmm*a.lasts*a.lasts + 2*l.pmx*a.lasts*a.fades + s.days + s.err)
}

// forecast rolls all members that carry weight over the calendar.
func (m *mixture) forecast(old depletion.Mixture, future []config.DayType, firstShare float64) depletion.Mixture {
	rules := &rulesOf[m.class]
	var rolls [members]ahead
	out := depletion.Mixture{Curves: old.Curves[:0], Weights: old.Weights[:0]}
	n := 0
	for i, w := range m.weights {
		if w == 0 {
			continue
		}
		a := ahead{kind: &memberKinds[i], l: m.levels[i], vx: m.levels[i].pxx, fade: 1}
		a.r = a.kind.r * rules.ahead
		if a.kind.change {
			a.r = rules.afterChange
		}
		rolls[n] = a
		var c depletion.Curve
		if n < cap(old.Curves) {
			c = old.Curves[:n+1][n]
		}
		c = depletion.Curve{Mean: resize(c.Mean, len(future)+1), Var: resize(c.Var, len(future)+1)}
		c.Mean[0], c.Var[0] = 0, 0
		out.Curves = append(out.Curves, c)
		out.Weights = append(out.Weights, w)
		n++
	}
	var past [patterns]sofar
	for i := range n {
		past[rolls[i].kind.pattern].used = true
	}
	for p := range past {
		for t := config.Monday; t <= config.Sunday; t++ {
			past[p].e += m.patterns[p].err[t]
		}
	}
	lossy := m.outages.count > 0
	t, share := 0.0, min(1, max(0, firstShare))
	for d, ty := range future {
		if ty > config.ShutdownType {
			ty = config.Monday // no such day type: any working day
		}
		open := ty != config.ShutdownType && share > 0
		if open {
			t += share
			for p := range past {
				if past[p].used {
					past[p].add(&m.patterns[p], ty, share)
				}
			}
		}
		var lost loss
		if lossy {
			lost = m.outages.until(t)
		}
		for i := range n {
			a := &rolls[i]
			p := &m.patterns[a.kind.pattern]
			if d > 0 {
				a.tomorrow()
			}
			if open {
				most := math.Inf(1)
				if m.cap > 0 {
					most = m.cap * share / p.mean
				}
				a.use(share*p.h[ty], most)
			}
			c := &out.Curves[i]
			mean, variance := a.mean, a.variance(&past[a.kind.pattern])
			if lossy {
				mean, variance = lost.of(mean, variance, max(levelFloor, a.l.mu+a.l.x))
			}
			a.most, a.mostVar = max(a.most, mean*p.mean), max(a.mostVar, variance*p.mean*p.mean)
			c.Mean[d+1], c.Var[d+1] = a.most, a.mostVar
		}
		share = 1
	}
	return out
}
