package depletion

import "gonum.org/v1/gonum/mathext"

// CountChance is the chance that at least count strokes come within a number of
// days when they come singly and independently at a rate per day (Poisson
// process): the gamma law of the time of the last stroke. count is at least 1.
//
// Like [InverseGaussian] it checks curves from outside: most controllers pulse
// on a schedule, so their counts scatter less and forecasts take the scatter
// from history.
func CountChance(count int, rate, days float64) float64 {
	switch {
	case count <= 0:
		return 1
	case !(rate > 0) || !(days > 0):
		return 0
	}
	return mathext.GammaIncReg(float64(count), rate*days)
}

// CountChanceLearned is the same for a rate that is itself known only from
// seen strokes: a gamma law of shape strokes in perDays days. The count is
// then negative binomial (Greenwood and Yule, An inquiry into the nature of
// frequency distributions, 1920).
func CountChanceLearned(count int, shape, perDays, days float64) float64 {
	switch {
	case count <= 0:
		return 1
	case !(shape > 0) || !(perDays > 0) || !(days > 0):
		return 0
	}
	return mathext.RegIncBeta(float64(count), shape, days/(perDays+days))
}
