package score

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

func ofCurve(c depletion.Curve) func(float64) Range {
	return func(budget float64) Range {
		lo, mid, hi := c.Range(depletion.Budget{Mean: budget})
		return Range{lo, mid, hi}
	}
}

func ofMixture(m depletion.Mixture) func(float64) Range {
	return func(budget float64) Range {
		lo, mid, hi := m.Range(depletion.Budget{Mean: budget})
		return Range{lo, mid, hi}
	}
}

// seenDays gives the whole-day amounts of the days that were seen, oldest
// first, planned shutdowns included where wanted.
func seenDays(days []duty.Day, shutdowns bool) []float64 {
	out := make([]float64, 0, len(days))
	for _, d := range days {
		if d.Seen > 0.02 && (shutdowns || d.Type != config.ShutdownType) {
			out = append(out, d.Amount/math.Min(1, d.Seen))
		}
	}
	return out
}

func meanVariance(x []float64) (mean, variance float64) {
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	for _, v := range x {
		variance += (v - mean) * (v - mean)
	}
	if len(x) > 1 {
		variance /= float64(len(x) - 1)
	}
	return mean, variance
}
