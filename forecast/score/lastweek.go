package score

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/virtual"
)

// lastWeek repeats the last seven days for ever. Its days are independent and
// normal with the variance of a seasonal naive forecast: the mean squared
// difference of days a week apart, times the number of weeks ahead. Days not
// seen are filled from the week before; shutdowns ahead have no duty.
type lastWeek struct{}

func (lastWeek) Name() string { return "lastweek" }

func (lastWeek) Fit(p Past) func(float64) Law {
	n := len(p.Days)
	y := make([]float64, n) // whole-day amounts, NaN where unknown
	for i, d := range p.Days {
		y[i] = math.NaN()
		if trains(d) {
			y[i] = d.Amount / math.Min(1, d.Seen)
		}
	}
	var ss, pairs float64
	for i := 7; i < n; i++ {
		if e := y[i] - y[i-7]; !math.IsNaN(e) {
			ss += e * e
			pairs++
		}
	}
	var week [7]float64
	fallback := virtual.MeanSeen(p.Days)
	for i := range week {
		week[i] = fallback
		for at := n - 7 + i; at >= 0; at -= 7 {
			if !math.IsNaN(y[at]) {
				week[i] = y[at]
				break
			}
		}
	}
	s2 := fallback * fallback
	if pairs > 0 {
		s2 = ss / pairs
	}
	c := depletion.Curve{Mean: make([]float64, len(p.Ahead)+1), Var: make([]float64, len(p.Ahead)+1)}
	for i, t := range p.Ahead {
		c.Mean[i+1], c.Var[i+1] = c.Mean[i], c.Var[i]
		if t != config.ShutdownType {
			c.Mean[i+1] += week[i%7]
			c.Var[i+1] += s2 * float64(i/7+1)
		}
	}
	return lasting(c)
}
