package score

import "math"

// Range is a forecast: the early, likely and late time in days, P10, P50, P90.
type Range [3]float64

var levels = [3]float64{0.1, 0.5, 0.9}

// Pinball is the quantile loss of forecast q of level p when t came true
// (Koenker and Bassett, Regression quantiles, 1978), in the unit of t.
func Pinball(p, q, t float64) float64 {
	if t >= q {
		return (t - q) * p
	}
	return (q - t) * (1 - p)
}

// MeanPinball is the mean pinball loss of the three quantiles.
func MeanPinball(r Range, t float64) float64 {
	sum := 0.0
	for i, p := range levels {
		sum += Pinball(p, r[i], t)
	}
	return sum / 3
}

// IntervalScore of the 80 % interval P10 to P90: its width, plus 10 times what
// the truth lies outside (Gneiting and Raftery, Strictly proper scoring rules,
// prediction, and estimation, 2007).
func IntervalScore(r Range, t float64) float64 {
	const alpha = 0.2
	return r[2] - r[0] + 2/alpha*(math.Max(0, r[0]-t)+math.Max(0, t-r[2]))
}

// WeightedInterval is the weighted interval score of median and 80 % interval
// (Bracher, Ray, Gneiting and Reich, Evaluating epidemic forecasts in an
// interval format, 2021): twice the mean pinball loss.
func WeightedInterval(r Range, t float64) float64 {
	const alpha = 0.2
	return (0.5*math.Abs(t-r[1]) + alpha/2*IntervalScore(r, t)) / 1.5
}
