package score

import (
	"math"
	"sort"

	"dwindle/forecast/depletion"
)

// Law is what a forecaster says about the time at which one budget is used up.
type Law interface {
	// Range is P10, P50 and P90 in days, +Inf beyond the horizon.
	Range() Range
	// Quantile is the time in days by which the budget is used up with chance
	// p in (0, 1), +Inf beyond the horizon.
	Quantile(p float64) float64
	// Chance is P(T <= t), t in days.
	Chance(t float64) float64
}

// lasting turns the first passage of a curve or a mixture into the law of each
// budget, known exactly.
func lasting(law depletion.Law) func(budget float64) Law {
	return func(budget float64) Law { return passage{law, depletion.Budget{Mean: budget}} }
}

// passage is the first passage of one budget.
type passage struct {
	law    depletion.Law
	budget depletion.Budget
}

func (l passage) Range() Range {
	lo, mid, hi := l.law.Range(l.budget)
	return Range{lo, mid, hi}
}

func (l passage) Quantile(p float64) float64 { return orNever(l.law.Quantile(p, l.budget)) }

func (l passage) Chance(t float64) float64 { return l.law.Chance(t, l.budget) }

func (l passage) Chances(times, into []float64) {
	if m, ok := l.law.(depletion.Many); ok {
		m.Chances(times, l.budget, into)
		return
	}
	for i, t := range times {
		into[i] = l.Chance(t)
	}
}

// chancesOf gives a law's chances at times that do not fall, at once where it
// can.
func chancesOf(law Law, times, into []float64) {
	if many, ok := law.(interface{ Chances(times, into []float64) }); ok {
		many.Chances(times, into)
		return
	}
	for i, t := range times {
		into[i] = law.Chance(t)
	}
}

func orNever(t float64, ok bool) float64 {
	if !ok {
		return math.Inf(1)
	}
	return t
}

// posterior is the law of independent normal days with unknown mean and
// variance, of which n were seen: see [depletion.PosteriorQuantile].
type posterior struct {
	budget, mean, sd float64
	n                int
}

func (l posterior) Range() Range {
	var r Range
	for i, p := range levels {
		r[i] = l.Quantile(p)
	}
	return r
}

func (l posterior) Quantile(p float64) float64 {
	return orNever(depletion.PosteriorQuantile(p, l.budget, l.mean, l.sd, l.n))
}

func (l posterior) Chance(t float64) float64 {
	switch {
	case l.budget <= 0:
		return 1
	case !(t > 0) || l.n < 2 || !(l.mean > 0):
		return 0
	case l.sd == 0 && t*l.mean >= l.budget:
		return 1
	case l.sd == 0:
		return 0
	}
	// Rises with t: the derivative has the sign of (mean t + budget)/2 +
	// budget t/n.
	return depletion.TCDF((t*l.mean-l.budget)/(l.sd*math.Sqrt(t+t*t/float64(l.n))), float64(l.n-1))
}

// sample is the law of drawn times, sorted, interpolated linearly between order
// statistics at p (n - 1): type 7 of Hyndman and Fan, Sample quantiles in
// statistical packages, 1996. Times may be +Inf.
type sample []float64

func (l sample) Range() Range {
	var r Range
	for i, p := range levels {
		r[i] = l.Quantile(p)
	}
	return r
}

func (l sample) Quantile(p float64) float64 {
	at := p * float64(len(l)-1)
	k := int(at)
	if k+1 >= len(l) {
		return l[len(l)-1]
	}
	if f := at - float64(k); f > 0 && l[k] != l[k+1] {
		return l[k] + f*(l[k+1]-l[k])
	}
	return l[k]
}

func (l sample) Chance(t float64) float64 {
	k := sort.Search(len(l), func(i int) bool { return l[i] > t }) // draws up to t
	switch k {
	case 0:
		return 0
	case len(l):
		return 1
	}
	// An infinite draw gives a fraction of 0.
	return (float64(k-1) + (t-l[k-1])/(l[k]-l[k-1])) / float64(len(l)-1)
}
