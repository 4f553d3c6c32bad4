// Package depletion turns expected cumulative duty into the distribution of
// the time at which a budget of duty is used up: first passage.
//
// Cumulative duty S never decreases, so P(T <= t) = P(S(t) >= B) exactly and
// no reflection term is needed. A [Curve] holds the mean and the variance of S
// over the calendar ahead, a [Budget] what may still be used. The package is
// pure, knows no duty model, and imports only dates. Start with
// [Curve.Quantile] and [Curve.Chance].
package depletion

import "math"

// Curve is the predicted cumulative duty (h or pulses) after k whole days of
// the calendar ahead. Index 0 is now and normally 0, the last index is the
// horizon. Both slices have the same length and never decrease for duty that
// cannot be negative.
type Curve struct {
	Mean []float64 // duty units
	Var  []float64 // duty units squared, without the budget's own variance
	// DF is the degrees of freedom of the Student t distribution that
	// (S - Mean)/sqrt(Var) follows; 0 or above 1e6 means normal.
	DF float64
}

// Budget is the duty that uses up what is left: remaining volume over volume
// per duty unit. Var is its variance, 0 for a budget known exactly.
type Budget struct{ Mean, Var float64 }

// Days is the horizon in days.
func (c Curve) Days() int { return max(0, min(len(c.Mean), len(c.Var))-1) }

// Chance is P(T <= t): the probability that the budget is used up t days from
// now, t in days of the calendar ahead. Times beyond the horizon count as the
// horizon. It never falls as t rises: where the normal or t approximation
// would, the largest value so far stands, because a budget once used up stays
// used up. A budget of 0 or less is used up already; an unusable one gives 0.
func (c Curve) Chance(t float64, b Budget) float64 {
	switch {
	case b.Mean <= 0:
		return 1
	case !b.usable() || len(c.Mean) == 0 || math.IsNaN(t) || t < 0:
		return 0
	}
	t = math.Min(t, float64(c.Days()))
	whole := int(t)
	// Between two knots with rising mean and variance the score has no inner
	// maximum (its derivative changes sign once, from minus to plus), so the
	// running maximum over the knots and t itself is exact.
	best := math.Inf(-1)
	for k := 0; k <= whole; k++ {
		best = math.Max(best, score(c.Mean[k], c.Var[k], b))
	}
	if f := t - float64(whole); f > 0 {
		m := c.Mean[whole] + f*(c.Mean[whole+1]-c.Mean[whole])
		v := c.Var[whole] + f*(c.Var[whole+1]-c.Var[whole])
		best = math.Max(best, score(m, v, b))
	}
	return TCDF(best, c.DF)
}

// Quantile is the first time, in fractional days from now, at which the chance
// that the budget is used up reaches p. Inside a day the mean and the variance
// are interpolated linearly (never the distribution function, which would
// widen short forecasts). ok is false when that lies beyond the horizon or
// never comes, and for p outside (0, 1).
func (c Curve) Quantile(p float64, b Budget) (days float64, ok bool) {
	if !(p > 0 && p < 1) {
		return 0, false
	}
	return c.first(TQuantile(p, c.DF), b)
}

// Range gives the three quantiles of a forecast, P10, P50 and P90, with one
// look at the t distribution. Those beyond the horizon are +Inf.
func (c Curve) Range(b Budget) (p10, p50, p90 float64) {
	z := TQuantile(0.9, c.DF)
	out := [3]float64{-z, 0, z}
	last := 0.0
	for i, q := range out {
		t, ok := c.first(q, b)
		if !ok {
			t = math.Inf(1)
		}
		last = math.Max(last, t) // rounding must not put P50 before P10
		out[i] = last
	}
	return out[0], out[1], out[2]
}

// first finds the first time at which the score reaches z.
func (c Curve) first(z float64, b Budget) (float64, bool) {
	if b.Mean <= 0 {
		return 0, true
	}
	if !b.usable() || len(c.Mean) == 0 {
		return 0, false
	}
	if reached(c.Mean[0], c.Var[0], b, z) {
		return 0, true
	}
	for k := 1; k <= c.Days(); k++ {
		if reached(c.Mean[k], c.Var[k], b, z) {
			s := crossing(c.Mean[k-1]-b.Mean, c.Mean[k]-c.Mean[k-1], c.Var[k-1]+b.Var, c.Var[k]-c.Var[k-1], z)
			return float64(k-1) + s, true
		}
	}
	return 0, false
}

// crossing solves a + m s = z sqrt(v + w s) for s in [0, 1], given that the
// left side is the smaller at 0 and not at 1: the quadratic of Fieller's
// theorem for one day.
func crossing(a, m, v, w, z float64) float64 {
	short := func(s float64) float64 { return a + m*s - z*math.Sqrt(math.Max(0, v+w*s)) }
	if z == 0 && m > 0 {
		return clamp01(-a / m)
	}
	qa, qb, qc := m*m, 2*a*m-z*z*w, a*a-z*z*v
	if d := qb*qb - 4*qa*qc; qa > 0 && d >= 0 {
		q := -0.5 * (qb + math.Copysign(math.Sqrt(d), qb))
		scale := math.Abs(a) + math.Abs(m) + math.Abs(z)*math.Sqrt(v+math.Max(0, w))
		for _, s := range [2]float64{q / qa, qc / q} {
			if s >= -1e-12 && s <= 1+1e-12 && math.Abs(short(clamp01(s))) <= 1e-12*scale {
				return clamp01(s)
			}
		}
	}
	lo, hi := 0.0, 1.0
	for range 60 {
		mid := 0.5 * (lo + hi)
		if short(mid) >= 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}

func reached(mean, variance float64, b Budget, z float64) bool {
	return mean-b.Mean >= z*math.Sqrt(variance+b.Var)
}

func score(mean, variance float64, b Budget) float64 {
	d, v := mean-b.Mean, variance+b.Var
	if v > 0 {
		return d / math.Sqrt(v)
	}
	if d >= 0 {
		return math.Inf(1)
	}
	return math.Inf(-1)
}

func (b Budget) usable() bool {
	return !math.IsNaN(b.Mean) && !math.IsInf(b.Mean, 0) && b.Var >= 0 && !math.IsInf(b.Var, 0)
}

func clamp01(s float64) float64 { return math.Min(1, math.Max(0, s)) }
