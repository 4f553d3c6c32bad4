package depletion

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// normalAbove is where the t distribution is taken for the normal one: beyond
// it the incomplete beta function loses more digits than the difference.
const normalAbove = 1e6

// TCDF is the distribution function of Student's t with df degrees of freedom,
// which need not be whole; 0 or above 1e6 gives the normal distribution.
func TCDF(x, df float64) float64 {
	switch {
	case math.IsNaN(x):
		return math.NaN()
	case math.IsInf(x, 1):
		return 1
	case math.IsInf(x, -1):
		return 0
	case !(df > 0) || df > normalAbove:
		return 0.5 * math.Erfc(-x/math.Sqrt2)
	}
	tail := 0.5 * mathext.RegIncBeta(df/2, 0.5, df/(df+x*x))
	if x > 0 {
		return 1 - tail
	}
	return tail
}

// TQuantile is the inverse of [TCDF] for p in (0, 1).
func TQuantile(p, df float64) float64 {
	switch {
	case !(p > 0 && p < 1):
		return math.NaN()
	case p == 0.5:
		return 0
	case !(df > 0) || df > normalAbove:
		return mathext.NormalQuantile(p)
	case p < 0.5:
		return -upperT(p, df)
	}
	return upperT(1-p, df)
}

// upperT finds x > 0 with P(X > x) = tail. From 3 degrees up it starts with
// the expansion of the t quantile in powers of 1/df about the normal one
// (Fisher and Cornish, The percentile points of distributions having known
// cumulants, 1960) and polishes by Newton's method, which takes about a
// microsecond; below, and where that does not settle, the inverse incomplete
// beta function.
func upperT(tail, df float64) float64 {
	exact := func() float64 {
		b := mathext.InvRegIncBeta(df/2, 0.5, 2*tail)
		return math.Sqrt(df * (1 - b) / b)
	}
	if df < 3 || tail < 1e-4 {
		return exact()
	}
	z := -mathext.NormalQuantile(tail)
	z2 := z * z
	x := z * (1 + (z2+1)/(4*df) + ((5*z2+16)*z2+3)/(96*df*df) + (((3*z2+19)*z2+17)*z2-15)/(384*df*df*df))
	lg1, _ := math.Lgamma((df + 1) / 2)
	lg2, _ := math.Lgamma(df / 2)
	norm := math.Exp(lg1-lg2) / math.Sqrt(df*math.Pi)
	for range 8 {
		density := norm * math.Pow(1+x*x/df, -(df+1)/2)
		// Halley's correction makes three steps enough for 14 digits.
		step := (tail - TCDF(-x, df)) / density
		step /= 1 + 0.5*step*x*(df+1)/(df+x*x)
		x -= step
		if math.Abs(step) < 1e-13*x {
			return x
		}
	}
	return exact()
}
