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

// scale is how a level reads: its step, its noise sd beside it, and whether it
// says within which bounds the level lies rather than where.
type scale struct {
	step, noise float64
	rough       bool
}

// ripple is what remains of the saw-tooth of rounding, as a share of it, when
// noise moves the readings across the edges: the first term of its Fourier
// series (B. Widrow, I. Kollar, Quantization Noise, 2008; from memory).
func (s scale) ripple() float64 {
	if s.step <= 0 {
		return 0
	}
	return math.Exp(-2 * math.Pi * math.Pi * s.noise * s.noise / (s.step * s.step))
}

// past0 is the reading at which a stretch begins; the fill's start counts as
// one before the first.
func past0(list []past, start Estimate, i int) past {
	if i < 0 {
		return past{Reading: Reading{Level: start.Remaining}, state: start}
	}
	return list[i]
}

// minSince is the least number of readings in a stretch.
const minSince = 3

// sums are those of a regression line, of readings added from the newest back.
type sums struct{ n, c, cc, l, cl float64 }

func (s *sums) add(r Reading) {
	s.n++
	s.c += r.Commanded
	s.cc += r.Commanded * r.Commanded
	s.l += r.Level
	s.cl += r.Commanded * r.Level
}

// line is the ratio of the stretch from a beginning, with its standard error.
func (s *sums) line(p Params, from past, unknown, last float64, sc scale) (Ratio, bool) {
	c0, r0 := from.Commanded, from.state.Remaining
	xx := s.cc - 2*c0*s.c + c0*c0*s.n
	x := s.c - c0*s.n
	c := last - c0
	// Rounding of the sums, not a stretch.
	if c <= 1e-9*last || xx <= 1e-9*s.cc || s.n < minSince {
		return Ratio{}, false
	}
	xy := r0*x - s.cl + c0*s.l
	noise := sc.step*sc.step/12 + sc.noise*sc.noise
	common := x / xx // what an error common to all levels does to the ratio
	v := noise/xx + from.state.VarR*common*common
	// Doses add up their scatter: 6/5 of the mean step's variance in a line
	// through its beginning.
	v += 1.2*p.Scatter/c + max(0, unknown-from.unknown)/(c*c)
	// The saw-tooth of rounding is common to the readings of one tooth.
	tooth := sc.ripple() * sc.step / (math.Pi * math.Sqrt2) * common * min(1, sc.step/c)
	v += tooth * tooth
	return Ratio{Value: xy / xx, SE: math.Sqrt(v), Commanded: c, Readings: int(s.n)}, true
}

// bounded is the same on a scale that only says within which bounds the level
// lies: the bound that speaks for the device must be beyond the edge.
func bounded(p Params, from, to past, sc scale, sign, low, high float64, lim Limits) (Ratio, float64, bool) {
	c := to.Commanded - from.Commanded
	if c <= 1e-9*to.Commanded {
		return Ratio{}, 0, false
	}
	v := from.state.VarR + sc.noise*sc.noise + p.Scatter*c + max(0, to.unknown-from.unknown)
	se := math.Sqrt(v) / c
	gone := from.state.Remaining - to.Level
	r := Ratio{Value: gone / c, SE: math.Sqrt(v+sc.step*sc.step/12) / c, Commanded: c, Readings: 2}
	if sign > 0 {
		most := (gone + sc.step/2) / c
		return r, (low - most) / se, most < low && r.Value <= lim.Under
	}
	least := (gone - sc.step/2) / c
	return r, (least - high) / se, least > high && r.Value >= lim.Over
}
