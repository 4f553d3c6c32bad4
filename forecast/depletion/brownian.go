package depletion

import "math"

// InverseGaussian is the exact law of the time at which a sum with independent
// normal increments, taken without gaps (Brownian motion with drift), first
// reaches a budget (Schrödinger, Zur Theorie der Fall- und Steigversuche an
// Teilchen mit Brownscher Bewegung, 1915). Times are in days.
//
// No forecast is made with it: duty cannot be negative, so a sum never comes
// back below a budget, and a [Curve] needs no term for that. It is the outside
// check of this package: for equal independent days a Curve must stay within
// that small term of it, exp(2 Shape/Mean) Phi(-a), which for a budget of 50
// mean days with a quarter of a day's scatter is at most 0.007.
type InverseGaussian struct {
	Mean  float64 // days
	Shape float64 // days; variance is Mean^3/Shape
}

// FirstPassage is the law for a budget used up by days with a mean and a
// standard deviation, all in duty units.
func FirstPassage(budget, mean, sd float64) InverseGaussian {
	return InverseGaussian{Mean: budget / mean, Shape: budget * budget / (sd * sd)}
}

func (g InverseGaussian) usable() bool {
	return g.Mean > 0 && g.Shape > 0 && !math.IsInf(g.Mean, 0) && !math.IsInf(g.Shape, 0)
}

// Density is the probability per day at t; NaN for a mean or shape that is not
// positive and finite, as with the other methods.
func (g InverseGaussian) Density(t float64) float64 {
	switch {
	case !g.usable():
		return math.NaN()
	case !(t > 0) || math.IsInf(t, 1):
		return 0
	}
	b := math.Sqrt(g.Shape/t) * (t/g.Mean - 1)
	return math.Sqrt(g.Shape/(2*math.Pi*t)) / t * math.Exp(-b*b/2)
}

// CDF is P(T <= t). The textbook's exp(2 Shape/Mean) Phi(-a) overflows for
// ordinary budgets; since a^2 - b^2 = 4 Shape/Mean it is the normal density at
// b times Mills' ratio at a, which does not.
func (g InverseGaussian) CDF(t float64) float64 {
	switch {
	case !g.usable():
		return math.NaN()
	case !(t > 0):
		return 0
	case math.IsInf(t, 1):
		return 1
	}
	a, b := g.ab(t)
	return 0.5*math.Erfc(-b/math.Sqrt2) + normalDensity(b)*mills(a)
}

// Survival is P(T > t), without the cancellation of 1 - CDF in the far tail.
func (g InverseGaussian) Survival(t float64) float64 {
	switch {
	case !g.usable():
		return math.NaN()
	case !(t > 0):
		return 1
	case math.IsInf(t, 1):
		return 0
	}
	a, b := g.ab(t)
	return math.Max(0, 0.5*math.Erfc(b/math.Sqrt2)-normalDensity(b)*mills(a))
}

func (g InverseGaussian) ab(t float64) (a, b float64) {
	root := math.Sqrt(g.Shape / t)
	return root * (t/g.Mean + 1), root * (t/g.Mean - 1)
}

// Quantile is the time at which the CDF reaches p, by Newton's method from the
// mode, from where it converges without ever overshooting (Giner and Smyth,
// statmod: probability calculations for the inverse Gaussian distribution,
// 2016). NaN for p outside (0, 1).
func (g InverseGaussian) Quantile(p float64) float64 {
	if !g.usable() || !(p > 0 && p < 1) {
		return math.NaN()
	}
	k := 1.5 * g.Mean / g.Shape
	t := g.Mean / (math.Sqrt(1+k*k) + k) // the mode
	for range 1000 {
		short := p - g.CDF(t)
		if p > 0.5 {
			short = g.Survival(t) - (1 - p)
		}
		step := short / g.Density(t)
		if t += step; math.Abs(step) <= 1e-15*t {
			break
		}
	}
	return t
}

// mills is Mills' ratio of the normal law, Phi(-x)/phi(x), for x >= 0: from 5
// up by its continued fraction 1/(x+1/(x+2/(x+3/...))) (Laplace; Abramowitz and
// Stegun, Handbook of mathematical functions, 1964, 26.2.14).
func mills(x float64) float64 {
	if x < 5 {
		return 0.5 * math.Erfc(x/math.Sqrt2) / normalDensity(x)
	}
	r := x
	for k := 40.0; k > 0; k-- {
		r = x + k/r
	}
	return 1 / r
}

func normalDensity(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
