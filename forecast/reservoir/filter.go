// Package reservoir works out what is left in a reservoir and how much of the
// commanded volume really went out, from the volume commanded since the fill
// began and, where there is any, measured evidence.
//
// It is pure: values in, values out; it knows no clock, no devices and no
// stores, and of ours imports only the charts of drift. Volumes are cm3; the delivery factor is
// delivered / commanded, without unit. Start with [Follow] for a whole fill and
// [Slope] for the ratio over a window.
package reservoir

import "math"

// Estimate is the state of a fill: remaining volume and delivery factor with
// their variances and covariance. It is never clamped: a clamped state would
// become a running minimum. Clamp what is shown.
type Estimate struct {
	Remaining float64 // cm3
	Factor    float64 // delivered / commanded
	VarR      float64 // cm3^2
	Cov       float64 // cm3
	VarF      float64
}

// Begin is the state of a new fill: capacity in cm3 with the scatter of a new
// fill, and what is believed of the factor.
func Begin(capacity, fillSD, factor, factorSD float64) Estimate {
	return Estimate{Remaining: capacity, Factor: factor, VarR: fillSD * fillSD, VarF: factorSD * factorSD}
}

// Predict moves the state over a commanded volume. scatter is the variance of
// what went out beside the factor's (cm3^2), wander that of the factor.
//
// The recursions are the Kalman filter for the state (remaining, factor) with
// transition remaining -= commanded x factor (R. E. Kalman, A New Approach to
// Linear Filtering and Prediction Problems, 1960).
func (e *Estimate) Predict(commanded, scatter, wander float64) {
	c := commanded
	e.Remaining -= c * e.Factor
	e.VarR += -2*c*e.Cov + c*c*e.VarF + scatter
	e.Cov -= c * e.VarF
	e.VarF += wander
}

// Update takes in a measured level (cm3) with variance r and gives the
// innovation and its variance before the update.
func (e *Estimate) Update(level, r float64) (innovation, variance float64) {
	v, s := level-e.Remaining, e.VarR+r
	if s <= 0 {
		return v, 0
	}
	e.Remaining += e.VarR / s * v
	e.Factor += e.Cov / s * v
	e.VarF -= e.Cov * e.Cov / s
	e.Cov *= r / s
	e.VarR *= r / s
	return v, s
}

// UpdateWithin takes in that the level lies in [low, high), as a coarse scale
// says it, with noise of the given variance before the rounding. It returns
// false and changes nothing where that is next to impossible (chance below
// 1e-6): an outlier, or a state that is wrong.
//
// The moments are those of the truncated normal distribution (N. L. Johnson,
// S. Kotz, N. Balakrishnan, Continuous Univariate Distributions 1, 1994).
func (e *Estimate) UpdateWithin(low, high, noise float64) bool {
	s2 := e.VarR + noise
	if s2 <= 0 {
		return e.Remaining >= low && e.Remaining < high
	}
	s := math.Sqrt(s2)
	a, b := (low-e.Remaining)/s, (high-e.Remaining)/s
	z := between(a, b)
	if z < 1e-6 {
		return false
	}
	da, db := density(a), density(b)
	shift := (da - db) / z
	shrink := 1 + (a*da-b*db)/z - shift*shift
	// The noisy level's mean and variance pass on to the remaining volume by
	// regression on it.
	gain := e.VarR / s2
	dr := gain * s * shift
	varR := e.VarR - gain*gain*s2*(1-shrink)
	if e.VarR > 0 {
		k := e.Cov / e.VarR
		e.Factor += k * dr
		e.VarF = math.Max(0, e.VarF+k*k*(varR-e.VarR))
		e.Cov = k * varR
	}
	e.Remaining += dr
	e.VarR = varR
	return true
}

// UpdateFactor takes in a measured dose: delivered cm3 of a commanded volume,
// with the variance of the measurement.
func (e *Estimate) UpdateFactor(delivered, commanded, r float64) {
	s := commanded*commanded*e.VarF + r
	if s <= 0 || commanded <= 0 {
		return
	}
	v := delivered - commanded*e.Factor
	kr, kf := commanded*e.Cov/s, commanded*e.VarF/s
	e.Remaining += kr * v
	e.Factor += kf * v
	e.VarR -= commanded * e.Cov * kr
	e.Cov -= commanded * e.Cov * kf
	e.VarF -= commanded * e.VarF * kf
}

// Budget is the duty left until empty, in duty units, for a device that gives
// perUnit cm3 a unit by command: its mean and its variance, by the delta method
// with the covariance of remaining and factor (dead-reckoned errors of both are
// one and the same error).
func (e Estimate) Budget(perUnit float64) (mean, variance float64) {
	f := math.Max(e.Factor, 0.05)
	rate := perUnit * f
	if rate <= 0 {
		return math.Inf(1), 0
	}
	q := e.Remaining / f
	variance = (e.VarR + q*q*e.VarF - 2*q*e.Cov) / (rate * rate)
	return e.Remaining / rate, math.Max(0, variance)
}

// Shown is the remaining volume as people see it, within 0 and the capacity.
func (e Estimate) Shown(capacity float64) float64 {
	return math.Min(math.Max(e.Remaining, 0), capacity)
}

func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

// between is P(a < Z < b), without cancellation in either tail.
func between(a, b float64) float64 {
	if a > 0 {
		return (math.Erfc(a/math.Sqrt2) - math.Erfc(b/math.Sqrt2)) / 2
	}
	return (math.Erfc(-b/math.Sqrt2) - math.Erfc(-a/math.Sqrt2)) / 2
}
