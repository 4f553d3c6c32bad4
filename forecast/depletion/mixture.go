package depletion

import (
	"math"
	"sort"
)

// Mixture is a weighted set of curves over one calendar: unlike models of the
// same duty. Weights are not negative and sum to 1; curves have equal horizons.
type Mixture struct {
	Curves  []Curve
	Weights []float64
	// Stops put the end off beyond what the curves say.
	Stops Stops
}

// Law is the distribution of the time at which a budget is used up.
type Law interface {
	Chance(t float64, b Budget) float64
	Quantile(p float64, b Budget) (days float64, ok bool)
	Range(b Budget) (p10, p50, p90 float64)
}

var (
	_ Law = Curve{}
	_ Law = Mixture{}
)

// Days is the horizon in days: that of the shortest curve.
func (m Mixture) Days() int {
	if len(m.Curves) == 0 {
		return 0
	}
	days := m.Curves[0].Days()
	for _, c := range m.Curves[1:] {
		days = min(days, c.Days())
	}
	return days
}

// MeanAt is the expected cumulative duty after k whole days, 0 <= k <= Days.
func (m Mixture) MeanAt(k int) float64 { return m.running(k) * m.Stops.Up() }

// running is the same without stops.
func (m Mixture) running(k int) float64 {
	sum := 0.0
	for i, c := range m.Curves {
		sum += m.Weights[i] * c.Mean[k]
	}
	return sum
}

// Moments is the one curve with the mixture's mean and variance, written into
// the slices of an old one where they are large enough. A mixture without
// curves gives none. Stops count with their mean and the variance of an
// alternating renewal process (D. R. Cox, Renewal theory, 1962).
func (m Mixture) Moments(old Curve) Curve {
	if len(m.Curves) == 0 {
		return Curve{}
	}
	c := Curve{Mean: old.Mean[:0], Var: old.Var[:0]}
	for k := range m.Days() + 1 {
		mean, variance := m.running(k), 0.0
		for i, one := range m.Curves {
			d := one.Mean[k] - mean
			variance += m.Weights[i] * (one.Var[k] + d*d)
		}
		if !m.Stops.None() && k > 0 {
			mean, variance = m.Stops.moments(float64(k), mean, variance)
		}
		if k > 0 {
			variance = math.Max(variance, c.Var[k-1])
		}
		c.Mean, c.Var = append(c.Mean, mean), append(c.Var, variance)
	}
	return c
}

// Range gives P10, P50 and P90 in one walk over the days. Those beyond the
// horizon are +Inf.
func (m Mixture) Range(b Budget) (p10, p50, p90 float64) {
	if len(m.Curves) == 1 && m.Stops.None() {
		return m.Curves[0].Range(b)
	}
	levels := [3]float64{0.1, 0.5, 0.9}
	var t [3]float64
	m.Times(levels[:], b, t[:0])
	return t[0], t[1], t[2]
}

// Chance is the weighted mean of the members' chances.
func (m Mixture) Chance(t float64, b Budget) float64 {
	if b.Mean <= 0 {
		return 1
	}
	if !m.Stops.None() {
		law := laws.Get().(*stopped)
		defer laws.Put(law)
		if !m.with(b, law) {
			return 0
		}
		return law.chance(t)
	}
	p := 0.0
	for i, c := range m.Curves {
		if m.Weights[i] > 0 {
			p += m.Weights[i] * c.Chance(t, b)
		}
	}
	return math.Min(1, p)
}

// Quantile is the first time at which the mixture's chance reaches p; see
// [Curve.Quantile].
func (m Mixture) Quantile(p float64, b Budget) (days float64, ok bool) {
	if !(p > 0 && p < 1) {
		return 0, false
	}
	if !m.Stops.None() {
		t := m.Times([]float64{p}, b, nil)[0]
		return t, !math.IsInf(t, 1)
	}
	if len(m.Curves) == 1 {
		return m.Curves[0].Quantile(p, b)
	}
	return m.first(p, b, 0)
}

// Times gives the first times at which the chance reaches rising levels, in one
// walk over the days, +Inf beyond the horizon; appended to out.
func (m Mixture) Times(levels []float64, b Budget, out []float64) []float64 {
	out = out[:0]
	var law *stopped
	stops := !m.Stops.None()
	if stops {
		law = laws.Get().(*stopped)
		defer laws.Put(law)
	}
	if stops && !m.with(b, law) {
		t := math.Inf(1)
		if b.Mean <= 0 {
			t = 0
		}
		for range levels {
			out = append(out, t)
		}
		return out
	}
	last := 0.0
	for _, p := range levels {
		if math.IsInf(last, 1) {
			out = append(out, last)
			continue
		}
		var t float64
		var ok bool
		switch {
		case stops:
			t, ok = law.first(p, int(last))
		case len(m.Curves) == 1:
			t, ok = m.Curves[0].Quantile(p, b)
		default:
			t, ok = m.first(p, b, int(last))
		}
		if !ok {
			t = math.Inf(1)
		}
		last = math.Max(last, t) // rounding must not put P50 before P10
		out = append(out, last)
	}
	return out
}

// first searches from a whole day before which the chance is below p.
func (m *Mixture) first(p float64, b Budget, from int) (float64, bool) {
	if b.Mean <= 0 {
		return 0, true
	}
	if !b.usable() || len(m.Curves) == 0 {
		return 0, false
	}
	days := m.Days()
	if from == 0 && m.at(0, 0, b) >= p {
		return 0, true
	}
	z := TQuantile(p, 0)
	if z <= 0 {
		// Means and variances never fall, so once a member has reached a score
		// below 0 it has reached it for good.
		from += sort.Search(days-from, func(i int) bool { return !m.far(from+i+1, z, b) })
	}
	for k := from; k < days; k++ {
		if m.far(k+1, z, b) {
			continue
		}
		if end := m.at(k, 1, b); end >= p {
			return float64(k) + m.within(k, p, end, b), true
		}
	}
	return 0, false
}

// within finds the part of day k at which the chance reaches p, given that it
// is below before and end after it: false position in the Illinois form (Dowell
// and Jarratt, A modified regula falsi method for computing the root of an
// equation, 1971), which needs a quarter of the looks of halving.
func (m *Mixture) within(k int, p, end float64, b Budget) float64 {
	lo, hi := 0.0, 1.0
	below, above := m.at(k, 0, b)-p, end-p
	if below >= 0 { // only by rounding, or where the budget has no scatter
		return 0
	}
	side := 0
	for i := 0; i < 120 && hi-lo > 1e-12 && above > 0; i++ {
		x := (lo*above - hi*below) / (above - below)
		if i%4 == 3 || !(x > lo && x < hi) {
			x = 0.5 * (lo + hi) // a chance that jumps is no line
		}
		f := m.at(k, x, b) - p
		switch {
		case f >= 0:
			hi, above = x, f
			if side > 0 {
				below /= 2
			}
			side = 1
		default:
			lo, below = x, f
			if side < 0 {
				above /= 2
			}
			side = -1
		}
	}
	return hi
}

// far says cheaply that the chance after k days is below that of score z: a
// mixture's is at most its likeliest member's, and no member has reached z.
func (m *Mixture) far(k int, z float64, b Budget) bool {
	for i := range m.Curves {
		if m.Weights[i] <= 0 {
			continue
		}
		c := &m.Curves[i]
		if c.DF > 0 && c.DF <= normalAbove {
			return false // heavier tails than their scale says
		}
		if reached(c.Mean[k], c.Var[k], b, z) {
			return false
		}
	}
	return true
}

// at is the mixture's distribution function at k days and a fraction, without
// the running maximum, which a search from the left does not need.
func (m *Mixture) at(k int, fraction float64, b Budget) float64 {
	p := 0.0
	for i := range m.Curves {
		if m.Weights[i] <= 0 {
			continue
		}
		c := &m.Curves[i]
		mean, variance := c.Mean[k], c.Var[k]
		if fraction > 0 {
			mean += fraction * (c.Mean[k+1] - mean)
			variance += fraction * (c.Var[k+1] - variance)
		}
		z := score(mean, variance, b)
		if c.DF > 0 && c.DF <= normalAbove {
			p += m.Weights[i] * TCDF(z, c.DF)
		} else {
			p += m.Weights[i] * normalCDF(z)
		}
	}
	return math.Min(1, p)
}
