package score

import (
	"math"

	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

// walk is the profile times a level that moves as a random walk (local level
// model; Durbin and Koopman, Time series analysis by state space methods,
// 2012), averaged over six speeds by their likelihood. It follows changes at
// once and is far too wide for long horizons.
type walk struct{}

// walkSpeeds are the step variances of the relative level over the variance of
// one day about it: from none, so that steady duty is not punished, to a gain
// of a sixth.
var walkSpeeds = [6]float64{0, 0.00005, 0.0002, 0.0012, 0.006, 0.03}

func (walk) Name() string { return "walk" }

func (walk) Fit(p Past) func(float64) Law {
	f := newProfile(p.Days)
	m := depletion.Mixture{Curves: make([]depletion.Curve, len(walkSpeeds)), Weights: make([]float64, len(walkSpeeds))}
	best := math.Inf(-1)
	var loglik [len(walkSpeeds)]float64
	for i, r := range walkSpeeds {
		l := filterLevel(&f, p.Days, r)
		loglik[i] = l.loglik
		best = math.Max(best, l.loglik)
		m.Curves[i] = l.curve(&f, p)
	}
	total := 0.0
	for i, l := range loglik {
		m.Weights[i] = math.Exp(l - best)
		total += m.Weights[i]
	}
	for i := range m.Weights {
		m.Weights[i] /= total
	}
	return lasting(m)
}

// level is the state of the filter after history.
type level struct {
	x, variance float64 // level in duty per day; its variance in units of s2
	s2, r       float64
	loglik      float64 // concentrated over s2
}

// filterLevel runs y = shape (level) + noise with variance s2 g, level stepping
// with variance s2 r; days that teach nothing only let time pass.
func filterLevel(f *profile, days []duty.Day, r float64) level {
	l := level{x: f.mean, variance: 25, r: r}
	var sum, logs, n float64
	for _, d := range days {
		if trains(d) {
			h := f.shape[d.Type]
			v := d.Amount/math.Min(1, d.Seen) - h*l.x
			s := h*h*l.variance + f.g[d.Type]
			gain := h * l.variance / s
			l.x += gain * v
			l.variance -= gain * h * l.variance
			sum += v * v / s
			logs += math.Log(s)
			n++
		}
		l.variance += r
	}
	s2 := math.Max(sum/n, 1e-12*f.mean*f.mean)
	l.loglik = -0.5*logs - 0.5*n*math.Log(s2)
	l.s2 = s2 * n / math.Max(1, n-9)
	return l
}

func (l level) curve(f *profile, p Past) depletion.Curve {
	c := depletion.Curve{Mean: make([]float64, len(p.Ahead)+1), Var: make([]float64, len(p.Ahead)+1)}
	var u uncertainty
	var variance, covariance float64 // of the sum so far, and with today's level
	today := l.variance
	x := math.Max(l.x, 0.02*f.mean)
	for i, t := range p.Ahead {
		if i > 0 {
			today += l.r
		}
		h := u.add(f, t)
		variance += 2*h*covariance + h*h*today
		covariance += h * today
		c.Mean[i+1] = c.Mean[i] + h*x
		c.Var[i+1] = math.Max(c.Var[i], l.s2*(variance+u.days+u.profile(f)))
	}
	return c
}
