package drift

import "math"

// excess is how far a sum in discrete time overshoots its limit and its zero,
// together, in standard deviations (D. Siegmund, Sequential Analysis, 1985).
const excess = 1.166

// RunLength is the mean number of samples until a one-sided sum passes its
// limit under a constant shift, in standard deviations, by Siegmund's
// approximation: (exp(-2 D b) + 2 D b - 1) / (2 D^2) with D = shift - k and
// b = h + 1.166, and b^2 for D = 0. shift 0 gives the mean time between false
// alarms.
func RunLength(d Design, shift float64) float64 {
	b := d.H + excess
	x := (shift - d.K) * b
	if math.Abs(x) < 1e-6 {
		return b * b
	}
	return b * b * (math.Exp(-2*x) + 2*x - 1) / (2 * x * x)
}

// Limit is the limit at which a one-sided sum with reference value k gives one
// false alarm in so many samples: [RunLength] solved for h, which it reaches
// from below in a few steps. It is 0 where even a sum without limit would be
// rarer, and for nonsense.
func Limit(k, samples float64) float64 {
	if !(k > 0) || !(samples > 0) || math.IsInf(samples, 0) {
		return 0
	}
	b := excess
	for range 50 {
		next := math.Log(1+2*k*b+2*k*k*samples) / (2 * k)
		if math.Abs(next-b) < 1e-12*next {
			break
		}
		b = next
	}
	return math.Max(0, b-excess)
}

// Budget is how many false alarms a point may give, and what spends them.
type Budget struct {
	// PerYear is the number of false alarms per point-year that all charts
	// together may give.
	PerYear float64
	// Samples is the number of samples per year: 365 daily, 52 weekly; or what
	// irregular ones came to.
	Samples float64
	// Starts is the number of resets per year, and Head their head start as a
	// share of the limit: each may raise a false alarm from there.
	Starts, Head float64
}

// Limits splits the budget evenly over charts with the given reference values,
// and over the two sides of each.
//
// A head start s is spent from the same budget: a sum of drift -k that starts at
// s reaches the limit before 0 with the chance (exp(2 k (s+e)) - 1) / (exp(2 k b)
// - 1), with half of the overshoot at zero e = 0.583 (the gambler's ruin of
// Brownian motion, same source as [RunLength]).
func (b Budget) Limits(ks ...float64) []Design {
	out := make([]Design, len(ks))
	for i, k := range ks {
		out[i] = Design{K: k, H: b.limit(k, b.PerYear/float64(2*len(ks)))}
	}
	return out
}

// limit is the limit at which one side spends so many false alarms a year.
func (b Budget) limit(k, perYear float64) float64 {
	h := Limit(k, b.Samples/perYear)
	if b.Starts <= 0 || b.Head <= 0 || h <= 0 {
		return h
	}
	low, high := h, 4*h+20
	for range 60 {
		h = (low + high) / 2
		spent := b.Samples/RunLength(Design{k, h}, 0) + b.Starts*early(k, h, b.Head)
		if spent > perYear {
			low = h
		} else {
			high = h
		}
	}
	return high
}

// early is the chance that a head start alone leads to an alarm.
func early(k, h, head float64) float64 {
	return math.Expm1(2*k*(head*h+excess/2)) / math.Expm1(2*k*(h+excess))
}

// spared is how many times rarer false alarms of a bank of log likelihood ratio
// sums are than the exponential of their limit says. One sum alone gives at most
// one in exp(h) samples (G. Lorden, Procedures for reacting to a change in
// distribution, 1971); the bound is loose where one sample says little, and six
// sums share it. Found by simulation of daily levels (see the tests of the
// reservoir).
const spared = 4.0

// Evidence is the limit of cumulative sums of log likelihood ratios (natural
// logarithms, reference value 0) that the budget allows.
func (b Budget) Evidence() float64 {
	return math.Log(math.Max(1, b.Samples/b.PerYear/spared))
}
