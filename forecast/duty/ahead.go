package duty

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// ahead rolls one member over the days to come: constant work per day.
type ahead struct {
	pattern            int
	phi, r             float64 // motion from now on
	l                  level
	mean               float64
	vx, vs, cov        float64 // variance of x, of the sum through x, and between the two
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
	h, most       float64 // today's duty and its physical limit, in mean days
}

// add counts a day, or the share of it that is left, whose use is scale times
// that of an ordinary day of its type: its error counts scale times, its
// variance scale^2 times.
func (s *sofar) add(p *pattern, t config.DayType, share, scale float64) {
	share *= scale
	c, e := s.count[t], p.err[t]
	s.count[t] += share
	s.days += share * scale * p.g[t]
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
	a.l.x *= a.phi
	a.vx = a.phi*a.phi*a.vx + a.r
	a.cov *= a.phi
	a.fade *= a.phi
}

// use adds a day of duty h x level; most is the physical limit in mean days.
func (a *ahead) use(h, most float64) {
	hv := h * a.vx
	a.vs += h * (2*a.cov + hv)
	a.cov += hv
	a.lasts += h
	a.fades += h * a.fade
	level := a.l.mu + a.l.x
	if level < levelFloor {
		level = levelFloor
	}
	level *= h
	if level > most {
		level = most
	}
	a.mean += level
}

func (a *ahead) variance(s *sofar) float64 {
	l := &a.l
	return l.s2 * (a.vs + a.lasts*(l.pmm*a.lasts+2*l.pmx*a.fades) + s.days + s.err)
}

// surely is how many standard deviations beyond a budget a forecast may end:
// what then comes is left to one case in 30,000.
const surely = 4

// forecast rolls all members that carry weight over the calendar, as far as
// every one of them has surely used up the budget. Stops come on top of the
// curves.
func (m *mixture) forecast(old depletion.Mixture, future []config.DayType, firstShare float64, until depletion.Budget, scales []float32) depletion.Mixture {
	rules := &rulesOf[m.class]
	var rolls [members]ahead
	out := depletion.Mixture{Curves: old.Curves[:0], Weights: old.Weights[:0], Stops: m.outages.law(len(future), m.stops)}
	n := 0
	for i, w := range m.weights {
		if w == 0 {
			continue
		}
		kind := &memberKinds[i]
		a := ahead{pattern: kind.pattern, phi: kind.phi, r: kind.r * rules.ahead, l: m.levels[i], vx: m.levels[i].pxx, fade: 1}
		if kind.change {
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
		past[rolls[i].pattern].used = true
	}
	for p := range past {
		for t := config.Monday; t <= config.Sunday; t++ {
			past[p].e += m.patterns[p].err[t]
		}
	}
	share := min(1, max(0, firstShare))
	for d, ty := range future {
		if ty > config.ShutdownType {
			ty = config.Monday // no such day type: any working day
		}
		scale := scaleAt(scales, d)
		open := ty != config.ShutdownType && share > 0
		if open {
			for k := range past {
				if s := &past[k]; s.used {
					p := &m.patterns[k]
					s.add(p, ty, share, scale)
					s.h, s.most = share*scale*p.h[ty], math.Inf(1)
					if m.cap > 0 {
						s.most = m.cap * share / p.mean
					}
				}
			}
		}
		done := true
		for i := range rolls[:n] {
			a := &rolls[i]
			s, p := &past[a.pattern], &m.patterns[a.pattern]
			if d > 0 {
				a.tomorrow()
			}
			if open {
				a.use(s.h, s.most)
			}
			mean, variance := a.mean*p.mean, a.variance(s)*p.mean*p.mean
			c := &out.Curves[i]
			if mean < c.Mean[d] {
				mean = c.Mean[d]
			}
			if variance < c.Var[d] {
				variance = c.Var[d]
			}
			c.Mean[d+1], c.Var[d+1] = mean, variance
			over := mean - until.Mean
			done = done && over > 0 && over*over > surely*surely*(variance+until.Var)
		}
		if done {
			for i := range out.Curves {
				c := &out.Curves[i]
				c.Mean, c.Var = c.Mean[:d+2], c.Var[:d+2]
			}
			break
		}
		share = 1
	}
	return out
}
