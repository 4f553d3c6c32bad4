package depletion

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Levels say which of a law's own levels came true as often as 10, 50 and 90 %
// should: calibrated, its P10 is the law's quantile of level Low. A law that
// claims too much has Low below 0.1 and High above 0.9.
type Levels struct {
	Low  float64 `json:"low"`
	Mid  float64 `json:"mid"`
	High float64 `json:"high"`
}

// Plain are the levels of a law that is right as it is.
var Plain = Levels{0.1, 0.5, 0.9}

// HorizonCentres are the horizons, in days of the law's own median, that levels
// stand for; between them they are interpolated over the logarithm of time, so
// that dates do not jump where a bin ends. They are about the middles of the
// bins (a proposal).
var HorizonCentres = [Horizons]float64{7, 30, 100}

// Horizons is how many bins of the horizon there are: up to 14 days, to 60 and
// beyond.
const Horizons = 3

// HorizonOf is the bin of a median, in days.
func HorizonOf(median float64) int {
	switch {
	case median < 14.5:
		return 0
	case median < 60.5:
		return 1
	}
	return 2
}

// Calibrated is a law whose levels were moved to where they came true, after it
// was averaged with another if one has a share. Between
// and beyond P10, P50 and P90 levels move along straight lines on the scale of
// the normal quantile. The zero Levels mean no calibration.
type Calibrated struct {
	Mixture
	Levels [Horizons]Levels
	// Other is the curve of an unlike forecaster, and Share how much it counts
	// (0 to 1): times of the same chance are averaged before levels are moved.
	Other Curve
	Share float64
}

var _ Law = Calibrated{}

// knots are the normal quantiles of the levels that stand for P10, P50 and P90.
type knots [3]float64

// z90 is the normal quantile of 0.9.
const z90 = 1.2815515655446004

// knots of a budget; ok is false where nothing is to be moved.
func (c Calibrated) knots(b Budget) (k knots, ok bool) {
	if c.Levels == ([Horizons]Levels{}) || c.Levels == [Horizons]Levels{Plain, Plain, Plain} {
		return k, false
	}
	median, found := c.own(0.5, b)
	if !found { // beyond the calendar, so that at least
		median = float64(max(c.Mixture.Days(), c.Mixture.Stops.Horizon))
	}
	lower, upper, part := 0, 0, 0.0
	switch {
	case median <= HorizonCentres[0]:
	case median >= HorizonCentres[Horizons-1]:
		lower, upper = Horizons-1, Horizons-1
	default:
		for HorizonCentres[lower+1] <= median {
			lower++
		}
		upper = lower + 1
		part = math.Log(median/HorizonCentres[lower]) / math.Log(HorizonCentres[upper]/HorizonCentres[lower])
	}
	x, y := c.Levels[lower].knots(), c.Levels[upper].knots()
	for i := range k {
		k[i] = x[i] + part*(y[i]-x[i])
	}
	return k, k[0] < k[1] && k[1] < k[2]
}

func (l Levels) knots() knots {
	if l == (Levels{}) {
		l = Plain
	}
	return knots{mathext.NormalQuantile(l.Low), mathext.NormalQuantile(l.Mid), mathext.NormalQuantile(l.High)}
}

// level gives the law's own level for a calibrated one.
func (k knots) level(p float64) float64 {
	z := mathext.NormalQuantile(p)
	if z < 0 {
		z = k[1] + z/z90*(k[1]-k[0])
	} else {
		z = k[1] + z/z90*(k[2]-k[1])
	}
	return TCDF(z, 0)
}

// chance gives the calibrated level for the law's own.
func (k knots) chance(p float64) float64 {
	if !(p > 0 && p < 1) {
		return p
	}
	z := mathext.NormalQuantile(p) - k[1]
	if z < 0 {
		z *= z90 / (k[1] - k[0])
	} else {
		z *= z90 / (k[2] - k[1])
	}
	return TCDF(z, 0)
}

// Chance is the calibrated chance that the budget is used up t days from now.
func (c Calibrated) Chance(t float64, b Budget) float64 {
	p := c.ownChance(t, b)
	if k, ok := c.knots(b); ok {
		return k.chance(p)
	}
	return p
}

// Quantile is the first time at which the calibrated chance reaches p; see
// [Curve.Quantile].
func (c Calibrated) Quantile(p float64, b Budget) (days float64, ok bool) {
	if !(p > 0 && p < 1) {
		return 0, false
	}
	if k, moved := c.knots(b); moved {
		p = k.level(p)
	}
	return c.own(p, b)
}

// Range gives the calibrated P10, P50 and P90. Those beyond the horizon are
// +Inf.
func (c Calibrated) Range(b Budget) (p10, p50, p90 float64) {
	levels := [3]float64{0.1, 0.5, 0.9}
	if k, ok := c.knots(b); ok {
		for i, z := range k {
			levels[i] = TCDF(z, 0)
		}
	} else if !(c.Share > 0) {
		return c.Mixture.Range(b)
	}
	var times [3]float64
	if !(c.Share > 0) {
		c.Mixture.Times(levels[:], b, times[:0])
		return times[0], times[1], times[2]
	}
	a := c.averaged(b)
	for i, p := range levels {
		times[i] = a.time(mathext.NormalQuantile(p))
	}
	return times[0], times[1], times[2]
}

// own is the quantile before levels are moved.
func (c Calibrated) own(p float64, b Budget) (float64, bool) {
	if !(c.Share > 0) {
		return c.Mixture.Quantile(p, b)
	}
	a := c.averaged(b)
	t := a.time(mathext.NormalQuantile(p))
	return t, !math.IsInf(t, 1)
}

// ownChance is the chance before levels are moved.
func (c Calibrated) ownChance(t float64, b Budget) float64 {
	if !(c.Share > 0) {
		return c.Mixture.Chance(t, b)
	}
	a := c.averaged(b)
	return a.chance(t)
}

// averagedAt are the normal quantiles at which two laws are averaged; between
// them the average is a straight line.
var averagedAt = [...]float64{-4, -3, -2.5, -2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2, 2.5, 3, 4}

// average is a law as the times at which its chance is that of averagedAt.
type average [len(averagedAt)]float64

// averaged takes the mean of the times of equal chance (R. Ratcliff, Group
// reaction time distributions and an analysis of distribution statistics,
// 1979; from memory): between two sharp laws that differ lies one as sharp, not one with two
// humps.
func (c Calibrated) averaged(b Budget) average {
	var levels [len(averagedAt)]float64
	for i, z := range averagedAt {
		levels[i] = TCDF(z, 0)
	}
	var a average
	c.Mixture.Times(levels[:], b, a[:0])
	for i, p := range levels {
		t, ok := c.Other.Quantile(p, b)
		if !ok {
			t = math.Inf(1)
		}
		a[i] = (1-c.Share)*a[i] + c.Share*t
	}
	return a
}

func (a *average) time(z float64) float64 {
	i := 0
	for i < len(averagedAt)-2 && averagedAt[i+1] < z {
		i++
	}
	part := (z - averagedAt[i]) / (averagedAt[i+1] - averagedAt[i])
	if part <= 0 {
		return a[i]
	}
	if math.IsInf(a[i+1], 1) {
		return a[i+1]
	}
	return a[i] + min(1, part)*(a[i+1]-a[i])
}

func (a *average) chance(t float64) float64 {
	last := len(averagedAt) - 1
	switch {
	case math.IsNaN(t) || t < a[0]:
		return 0
	case t >= a[last]:
		return 1
	}
	i := 0
	for i < last-1 && a[i+1] <= t {
		i++
	}
	z := averagedAt[i]
	if d := a[i+1] - a[i]; d > 0 && !math.IsInf(d, 1) {
		z += (t - a[i]) / d * (averagedAt[i+1] - averagedAt[i])
	}
	return TCDF(z, 0)
}
