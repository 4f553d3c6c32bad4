package score

import (
	"math"

	"dwindle/forecast/depletion"
)

// last28 takes the last 28 days for independent normal days with unknown mean
// and variance: the closed form of [depletion.PosteriorQuantile]. It knows no
// weekdays and no calendar.
type last28 struct{}

func (last28) Name() string { return "last28" }

func (last28) Fit(p Past) func(float64) Range {
	x := seenDays(p.Days[max(0, len(p.Days)-28):], true)
	if len(x) < 2 {
		x = seenDays(p.Days, true)
	}
	mean, variance := meanVariance(x)
	return func(budget float64) Range {
		var r Range
		for i, q := range levels {
			t, ok := depletion.PosteriorQuantile(q, budget, mean, math.Sqrt(variance), len(x))
			if !ok {
				t = math.Inf(1)
			}
			r[i] = t
		}
		return r
	}
}
