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

// crpsSteps is how finely [CRPS] sums on either side of the truth.
const crpsSteps = 32

// CRPS is the continuous ranked probability score of a law when t came true,
// in days: the integral over time of the squared difference between the law's
// distribution function and the step at t, which is also twice the mean of the
// pinball losses of all quantiles (Gneiting and Raftery, Strictly proper
// scoring rules, prediction, and estimation, 2007). What a law holds beyond the
// horizon counts as at the horizon. Summed by the midpoint rule between the
// law's quantiles of 0.0005 and 0.9995.
func CRPS(law Law, t, horizon float64) float64 {
	const edge = 0.0005
	lo := math.Min(t, law.Quantile(edge))
	hi := math.Min(horizon, math.Max(t, law.Quantile(1-edge)))
	var times, chances [2 * crpsSteps]float64
	before, after := (t-lo)/crpsSteps, (hi-t)/crpsSteps
	for i := range crpsSteps {
		times[i] = lo + (float64(i)+0.5)*before
		times[crpsSteps+i] = t + (float64(i)+0.5)*after
	}
	chancesOf(law, times[:], chances[:])
	sum := 0.0
	for i := range crpsSteps {
		early, late := chances[i], 1-chances[crpsSteps+i]
		sum += early*early*before + late*late*after
	}
	return sum
}

// lateCost is what a day too late costs against a day too early: running dry
// harms a bearing, changing early wastes lubricant and a walk.
const lateCost = 9

// Newsvendor is the cost of changing the reservoir on day q when t is the day
// on which it was empty: 1 for each day too early, 9 for each day too late. The
// least cost to be expected is that of the quantile 1/(1 + 9) (newsvendor
// problem; Arrow, Harris and Marschak, Optimal inventory policy, 1951, cited from
// memory), so q is P10, and the cost is 10 times its pinball loss.
func Newsvendor(q, t float64) float64 {
	if q > t {
		return lateCost * (q - t)
	}
	return t - q
}
