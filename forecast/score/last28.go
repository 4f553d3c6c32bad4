package score

import "math"

// last28 takes the last 28 days for independent normal days with unknown mean
// and variance: the closed form of depletion.PosteriorQuantile. It knows no
// weekdays and no calendar.
type last28 struct{}

func (last28) Name() string { return "last28" }

func (last28) Fit(p Past) func(float64) Law {
	x := seenDays(p.Days[max(0, len(p.Days)-28):], true)
	if len(x) < 2 {
		x = seenDays(p.Days, true)
	}
	mean, variance := meanVariance(x)
	sd := math.Sqrt(variance)
	return func(budget float64) Law { return posterior{budget, mean, sd, len(x)} }
}
