package score

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// smoothing is additive exponential smoothing of level and weekday (no trend),
// its two gains chosen from a grid by the squared error of one-day forecasts:
//
//	e = y - (level + season), level += a e, season += g e
//
// with the variance of a sum of t days s2 sum over l < t of
// (1 + l a + g floor(l/7))^2 (after Hyndman, Koehler, Ord and Snyder,
// Forecasting with exponential smoothing, 2008). Days not seen and shutdowns
// are stepped over; shutdowns ahead have no duty.
type smoothing struct{}

var (
	smoothingLevels  = [5]float64{0.02, 0.05, 0.1, 0.2, 0.4}
	smoothingSeasons = [3]float64{0.02, 0.08, 0.2}
)

func (smoothing) Name() string { return "smoothing" }

type smoothed struct {
	level  float64
	season [7]float64
	sse, n float64
}

func (smoothing) Fit(p Past) func(float64) Law {
	start := startSmoothing(p)
	var best smoothed
	var alpha, gamma float64
	best.sse = math.Inf(1)
	for _, a := range smoothingLevels {
		for _, g := range smoothingSeasons {
			if s := start.run(p, a, g); s.sse < best.sse {
				best, alpha, gamma = s, a, g
			}
		}
	}
	s2 := best.sse / math.Max(1, best.n-9)
	c := depletion.Curve{Mean: make([]float64, len(p.Ahead)+1), Var: make([]float64, len(p.Ahead)+1)}
	for i, t := range p.Ahead {
		c.Mean[i+1], c.Var[i+1] = c.Mean[i], c.Var[i]
		if t == config.ShutdownType {
			continue
		}
		c.Mean[i+1] += math.Max(0, best.level+best.season[(len(p.Days)+i)%7])
		c.Var[i+1] += s2 * smoothingStep(i, alpha, gamma)
	}
	return lasting(c)
}

// smoothingStep is what the variance of a sum of days grows by with the day
// after so many, over s2: the square of what a surprise does to all days from
// its own on.
func smoothingStep(days int, alpha, gamma float64) float64 {
	k := 1 + alpha*float64(days) + gamma*float64(days/7)
	return k * k
}

// startSmoothing takes level and seasons from the means of the first four
// weeks.
func startSmoothing(p Past) smoothed {
	var s smoothed
	var sum, count [7]float64
	var total, n float64
	for i, d := range p.Days[:min(28, len(p.Days))] {
		if trains(d) {
			y := d.Amount / math.Min(1, d.Seen)
			sum[i%7] += y
			count[i%7]++
			total += y
			n++
		}
	}
	if n == 0 {
		return s
	}
	s.level = total / n
	for i := range sum {
		if count[i] > 0 {
			s.season[i] = sum[i]/count[i] - s.level
		}
	}
	return s
}

func (s smoothed) run(p Past, alpha, gamma float64) smoothed {
	for i, d := range p.Days {
		if !trains(d) {
			continue
		}
		e := d.Amount/math.Min(1, d.Seen) - s.level - s.season[i%7]
		s.level += alpha * e
		s.season[i%7] += gamma * e
		s.sse += e * e
		s.n++
	}
	return s
}
