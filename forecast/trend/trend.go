// Package trend fits how much lubricant goes out per run-hour, and how that
// changes over time, by regression on daily increments, with standard errors
// that stay honest when days are alike their neighbours.
//
// It is pure and imports nothing of ours; slopes come from
// gonum.org/v1/gonum/stat, fits with several regressors from its mat. Never
// give it cumulative curves: their residuals are so correlated that the error
// of 90 days comes out an order of magnitude too small. Start with [Rate] and [Turn].
package trend

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Fit is a slope with its uncertainty.
type Fit struct {
	Slope     float64
	Intercept float64 // 0 for fits through the origin
	SE        float64 // of the slope
	Low, High float64 // 90 % interval of the slope
	N         int
	DF        float64 // degrees of freedom of the interval
}

// ErrTooFew says that there is not enough to fit: fewer days than MinDays or no
// spread in x.
var ErrTooFew = errors.New("trend: too few days, or no spread in use")

// MinDays is the least number of days for a fit.
const MinDays = 10

// Rate fits y = slope x through the origin: cm3 of a day on run-hours of that
// day, in time order.
func Rate(x, y []float64) (Fit, error) { return fit(x, y, true) }

// Drift fits y = intercept + slope x: any daily figure on the day's number, in
// time order.
func Drift(x, y []float64) (Fit, error) { return fit(x, y, false) }

func fit(x, y []float64, origin bool) (Fit, error) {
	n := len(x)
	if n != len(y) || n < MinDays || !finite(x) || !finite(y) {
		return Fit{}, ErrTooFew
	}
	a, b := stat.LinearRegression(x, y, nil, origin)
	mean := 0.0
	if !origin {
		mean = stat.Mean(x, nil)
	}
	sxx := 0.0
	for _, v := range x {
		sxx += (v - mean) * (v - mean)
	}
	if !(sxx > 0) || math.IsNaN(b) {
		return Fit{}, ErrTooFew
	}
	f := Fit{Slope: b, Intercept: a, N: n}
	f.SE, f.DF = blockError(x, y, a, b, mean, sxx)
	f.spread()
	return f, nil
}

// spread sets the 90 % interval from the standard error.
func (f *Fit) spread() {
	q := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: f.DF}.Quantile(0.95)
	f.Low, f.High = f.Slope-q*f.SE, f.Slope+q*f.SE
}

// Turn fits y = x (rate + change (day - middle)) through the origin: cm3 of a
// day on run-hours of that day, with a rate that itself moves in a straight
// line. It tells a rate that rises (a leak, a setting that creeps) from a
// machine that runs more. rate is that of the middle of all days, in cm3/h;
// change is per day. day counts civil days and need not be without gaps.
func Turn(day, x, y []float64) (rate, change Fit, err error) {
	n := len(x)
	if n != len(y) || n != len(day) || n < MinDays || !finite(day) || !finite(x) || !finite(y) {
		return Fit{}, Fit{}, ErrTooFew
	}
	middle := (day[0] + day[n-1]) / 2
	moved := make([]float64, n)
	for i := range x {
		moved[i] = x[i] * (day[i] - middle)
	}
	columns := [][]float64{x, moved}
	p, err := Linear(columns, y, nil)
	if err != nil {
		return Fit{}, Fit{}, err
	}
	se, df := p.blockErrors(columns, y)
	if se == nil {
		return Fit{}, Fit{}, ErrTooFew
	}
	rate = Fit{Slope: p.B[0], SE: se[0], N: n, DF: df}
	change = Fit{Slope: p.B[1], SE: se[1], N: n, DF: df}
	rate.spread()
	change.spread()
	return rate, change, nil
}

// blockError is the standard error of a slope from sums over blocks of
// successive days: correlation within a block is in its sum, and blocks are
// nearly independent of one another. With few blocks the interval follows
// Student's t with their number less one (R. Ibragimov, U. K. Mueller,
// t-Statistic Based Correlation and Heterogeneity Robust Inference, 2010, for
// the principle).
func blockError(x, y []float64, a, b, mean, sxx float64) (se, df float64) {
	n := len(x)
	blocks := blocksFor(n)
	sum2, used := 0.0, 0
	for k := range blocks {
		from, to := k*n/blocks, (k+1)*n/blocks
		s := 0.0
		for i := from; i < to; i++ {
			s += (x[i] - mean) * (y[i] - a - b*x[i])
		}
		sum2 += s * s
		used++
	}
	lost := 1.0
	if mean != 0 {
		lost = 2
	}
	df = math.Max(1, float64(used)-lost)
	return math.Sqrt(sum2*float64(used)/df) / sxx, df
}

// blocksFor makes blocks of a week and more: with short histories at least five
// blocks, with long ones at most nine, so that blocks grow with the history
// and outlast slow swings.
func blocksFor(n int) int { return min(max(n/10, 5), 9) }

func finite(v []float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// Line is a least-squares line with the textbook standard errors, which hold
// for independent residuals only.
type Line struct {
	Intercept, Slope     float64
	InterceptSE, SlopeSE float64
	ResidualSD           float64
	R2                   float64 // uncentred for lines through the origin
}

// Straight fits a line, through the origin if asked, with textbook errors. It is
// what [Rate] and [Drift] are checked with against certified values.
func Straight(x, y []float64, origin bool) (Line, error) {
	n := len(x)
	p := 2
	if origin {
		p = 1
	}
	if n != len(y) || n <= p || !finite(x) || !finite(y) {
		return Line{}, ErrTooFew
	}
	a, b := stat.LinearRegression(x, y, nil, origin)
	if math.IsNaN(b) || math.IsInf(b, 0) {
		return Line{}, ErrTooFew
	}
	mx, my := 0.0, 0.0
	if !origin {
		mx, my = stat.Mean(x, nil), stat.Mean(y, nil)
	}
	var sxx, syy, rss float64
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		syy += (y[i] - my) * (y[i] - my)
		e := y[i] - a - b*x[i]
		rss += e * e
	}
	l := Line{Intercept: a, Slope: b, ResidualSD: math.Sqrt(rss / float64(n-p)), R2: 1 - rss/syy}
	l.SlopeSE = l.ResidualSD / math.Sqrt(sxx)
	if !origin {
		l.InterceptSE = l.ResidualSD * math.Sqrt(1/float64(n)+mx*mx/sxx)
	}
	return l, nil
}
