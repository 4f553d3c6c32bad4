package reservoir

import "math"

// Reading is a measured level beside what had been commanded since the fill
// began.
type Reading struct {
	Commanded float64 // cumulative, cm3
	Level     float64 // cm3
}

// Ratio is delivered / commanded over a window with its standard error.
type Ratio struct {
	Value, SE float64
	Commanded float64 // cm3 in the window
	Readings  int
}

// Slope is the ratio over a window by ordinary least squares of level on
// cumulative commanded volume; the slope is minus the ratio. step and noise are
// the scale's resolution and the noise sd beside it; scatter is the variance of
// the delivered volume per commanded cm3 (dose volume x squared coefficient of
// variation, cm3). ok is false for fewer than three readings or nothing
// commanded.
//
// The standard error is the larger of what the residuals and the declared noise
// say, widened for the residuals' correlation, plus two errors that residuals
// do not show: the rounding to steps, which is a saw-tooth that a short window
// holds only a few teeth of, and the scatter of doses, which adds up.
func Slope(window []Reading, step, noise, scatter float64) (Ratio, bool) {
	n := len(window)
	if n < 3 {
		return Ratio{}, false
	}
	var mx, my float64
	for _, r := range window {
		mx += r.Commanded
		my += r.Level
	}
	mx /= float64(n)
	my /= float64(n)
	var sxx, sxy float64
	for _, r := range window {
		dx := r.Commanded - mx
		sxx += dx * dx
		sxy += dx * (r.Level - my)
	}
	c := window[n-1].Commanded - window[0].Commanded
	if c <= 0 || sxx <= 0 {
		return Ratio{}, false
	}
	slope := sxy / sxx
	var rss, lag float64
	prev := 0.0
	for i, r := range window {
		e := r.Level - my - slope*(r.Commanded-mx)
		rss += e * e
		if i > 0 {
			lag += e * prev
		}
		prev = e
	}
	residual := rss / float64(n-2)
	floor := step*step/12 + noise*noise
	rho := 0.0
	if rss > 0 {
		rho = math.Min(math.Max(lag/rss, 0), 0.8)
	}
	v := math.Max(residual*(1+rho)/(1-rho), floor) / sxx
	// Saw-tooth: with m steps in the window the slope is off by up to about
	// 1/m^2 of itself, 0.4/m^2 as a standard deviation (found by simulation).
	if step > 0 {
		saw := 0.4 * step * step / (c * c)
		v += math.Min(saw*saw, 1)
	}
	// A slope fitted to a random walk has 6/5 of the variance of the mean step.
	v += 1.2 * scatter / c
	return Ratio{Value: -slope, SE: math.Sqrt(v), Commanded: c, Readings: n}, true
}
