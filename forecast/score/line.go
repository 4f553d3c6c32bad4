package score

import "dwindle/forecast/depletion"

// line draws the least-squares line through cumulative duty (a level that
// falls, upside down) over the whole history and asks where it passes the
// budget, with the prediction band of a regression line:
//
//	M(t) = a + b (n + t) - C(n),  V(t) = s2 (1 + 1/n + (n + t - mean)^2 / Sxx)
//
// with n - 2 degrees of freedom, C(n) being what was used so far. Days not
// seen are left out of both axes.
type line struct{}

func (line) Name() string { return "line" }

func (line) Fit(p Past) func(float64) Law {
	x := seenDays(p.Days, true)
	n := float64(len(x))
	cum := make([]float64, len(x))
	var total, meanY float64
	for i, v := range x {
		total += v
		cum[i] = total
		meanY += total / n
	}
	meanX := (n + 1) / 2
	var sxx, sxy float64
	for i, y := range cum {
		dx := float64(i+1) - meanX
		sxx += dx * dx
		sxy += dx * (y - meanY)
	}
	b := sxy / sxx
	a := meanY - b*meanX
	var ss float64
	for i, y := range cum {
		e := y - a - b*float64(i+1)
		ss += e * e
	}
	s2 := ss / (n - 2)
	days := len(p.Ahead)
	c := depletion.Curve{Mean: make([]float64, days+1), Var: make([]float64, days+1), DF: n - 2}
	for t := range c.Mean {
		at := n + float64(t)
		c.Mean[t] = a + b*at - total
		c.Var[t] = s2 * (1 + 1/n + (at-meanX)*(at-meanX)/sxx)
	}
	return lasting(c)
}
