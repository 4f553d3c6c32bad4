package depletion

import "math"

// Mixture is a weighted set of curves over one calendar: unlike models of the
// same duty. Weights are not negative and sum to 1; curves have equal horizons.
type Mixture struct {
	Curves  []Curve
	Weights []float64
}

// Chance is the weighted mean of the members' chances.
func (m Mixture) Chance(t float64, b Budget) float64 {
	p := 0.0
	for i, c := range m.Curves {
		if m.Weights[i] > 0 {
			p += m.Weights[i] * c.Chance(t, b)
		}
	}
	return p
}

// Quantile is the first time at which the mixture's chance reaches p; see
// [Curve.Quantile].
func (m Mixture) Quantile(p float64, b Budget) (days float64, ok bool) {
	if !(p > 0 && p < 1) {
		return 0, false
	}
	if b.Mean <= 0 {
		return 0, true
	}
	if !b.usable() || len(m.Curves) == 0 {
		return 0, false
	}
	horizon := m.Curves[0].Days()
	for _, c := range m.Curves[1:] {
		horizon = min(horizon, c.Days())
	}
	if m.at(0, 0, b) >= p {
		return 0, true
	}
	for k := range horizon {
		if m.at(k, 1, b) < p {
			continue
		}
		lo, hi := 0.0, 1.0
		for range 50 {
			mid := 0.5 * (lo + hi)
			if m.at(k, mid, b) >= p {
				hi = mid
			} else {
				lo = mid
			}
		}
		return float64(k) + hi, true
	}
	return 0, false
}

// at is the mixture's distribution function at k days and a fraction, without
// the running maximum, which a search from the left does not need.
func (m Mixture) at(k int, fraction float64, b Budget) float64 {
	p := 0.0
	for i, c := range m.Curves {
		if m.Weights[i] <= 0 {
			continue
		}
		mean, variance := c.Mean[k], c.Var[k]
		if fraction > 0 {
			mean += fraction * (c.Mean[k+1] - mean)
			variance += fraction * (c.Var[k+1] - variance)
		}
		p += m.Weights[i] * TCDF(score(mean, variance, b), c.DF)
	}
	return math.Min(1, p)
}
