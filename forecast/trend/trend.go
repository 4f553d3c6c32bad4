// Package trend fits how much lubricant goes out per run-hour, and how that
// changes over time, by regression on daily increments, with standard errors
// that stay honest when days are alike their neighbours.
//
// It is pure and imports nothing of ours; the fits are gonum's (its mat). Never
// give it cumulative curves: their residuals are so correlated that the error
// of 90 days comes out an order of magnitude too small. Start with [Rate] and
// [Turn].
package trend

import (
	"errors"
	"fmt"
	"math"

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
func Rate(x, y []float64) (Fit, error) {
	_, fits, err := fit([][]float64{x}, y)
	if err != nil {
		return Fit{}, err
	}
	return fits[0], nil
}

// Drift fits y = intercept + slope x: any daily figure on the day's number, in
// time order.
func Drift(x, y []float64) (Fit, error) {
	ones := make([]float64, len(x))
	for i := range ones {
		ones[i] = 1
	}
	p, fits, err := fit([][]float64{ones, x}, y)
	if err != nil {
		return Fit{}, err
	}
	fits[1].Intercept = p.B[0]
	return fits[1], nil
}

// fit gives each column's coefficient with the errors of blocks.
func fit(columns [][]float64, y []float64) (Plane, []Fit, error) {
	if len(y) < MinDays {
		return Plane{}, nil, ErrTooFew
	}
	p, err := Linear(columns, y, nil)
	switch {
	case errors.Is(err, ErrCollinear):
		return Plane{}, nil, fmt.Errorf("%w (%v)", ErrTooFew, err)
	case err != nil:
		return Plane{}, nil, err
	}
	se, df := p.blockErrors(columns, y)
	if se == nil {
		return Plane{}, nil, ErrTooFew
	}
	out := make([]Fit, len(columns))
	for j := range out {
		out[j] = Fit{Slope: p.B[j], SE: se[j], N: len(y), DF: df}
		out[j].spread()
	}
	return p, out, nil
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
	if n < MinDays || n != len(day) || !finite(day) {
		return Fit{}, Fit{}, ErrTooFew
	}
	middle := (day[0] + day[n-1]) / 2
	moved := make([]float64, n)
	for i := range x {
		moved[i] = x[i] * (day[i] - middle)
	}
	_, fits, err := fit([][]float64{x, moved}, y)
	if err != nil {
		return Fit{}, Fit{}, err
	}
	return fits[0], fits[1], nil
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
