package drift

import (
	"math"
	"slices"
)

// Common gives the median z of each day over points: what has one cause for all
// of them, such as cold that stiffens grease everywhere. z has one row per point
// and one column per day, NaN where there is none; the median is NaN where fewer
// than least points have one: a median of five withstands two faulty ones. Both
// results have one element per day.
func Common(z [][]float64, least int) (median []float64, count []int) {
	days := 0
	for _, row := range z {
		days = max(days, len(row))
	}
	median, count = make([]float64, days), make([]int, days)
	list := make([]float64, 0, len(z))
	for d := range days {
		list = list[:0]
		for _, row := range z {
			if d < len(row) && !math.IsNaN(row[d]) {
				list = append(list, row[d])
			}
		}
		count[d] = len(list)
		median[d] = math.NaN()
		if len(list) >= max(1, least) {
			slices.Sort(list)
			n := len(list)
			median[d] = (list[(n-1)/2] + list[n/2]) / 2
		}
	}
	return median, count
}

// Own is what is left of the points' z when what is common is taken off, in new
// rows; days without a common part stay as they are. The median of n normal z
// has the variance pi / (2 n), which it takes off a point's own share as well as
// adds: what is left has a variance near 1, as charts want it.
func Own(z [][]float64, median []float64) [][]float64 {
	out := make([][]float64, len(z))
	for i, row := range z {
		out[i] = slices.Clone(row)
		for d := range row {
			if d < len(median) && !math.IsNaN(median[d]) {
				out[i][d] -= median[d]
			}
		}
	}
	return out
}

// commonWeight and commonLimit make one false notice in ten years of daily
// medians: the limit of an average with weight 0.1 whose mean time between false
// alarms is 3650 samples (computed with the integral equation of J. M. Lucas, M.
// S. Saccucci, Exponentially weighted moving average control schemes, 1990; held
// by simulation in the tests).
const (
	commonWeight = 0.1
	commonLimit  = 3.466
)

// Shift says that a point has left its baseline, or many have together.
type Shift struct {
	// Sign is 1 for z above 0, -1 for below.
	Sign int
	// Since is the day after which it began, by the last day on which the
	// average or sum was at 0 or on the other side of it; -1 for before the
	// first.
	Since int
	// Found is the day on which the average or sum passed its limit.
	Found int
}

// Shared looks at daily medians and the counts they rest on (see [Common]) for a
// shift that is still there on the last day with a median. ok is false if there
// is none.
func Shared(median []float64, count []int) (s Shift, ok bool) {
	e := EWMA{Weight: commonWeight, L: commonLimit}
	zero := [2]int{-1, -1} // last day at or below 0, at or above 0
	for d, m := range median {
		if math.IsNaN(m) || d >= len(count) || count[d] <= 0 {
			continue
		}
		// As a standard normal: the median of n has the variance pi / (2 n) (M.
		// G. Kendall, A. Stuart, The Advanced Theory of Statistics 1).
		sign := e.Add(Clip(m / math.Sqrt(math.Pi/(2*float64(count[d])))))
		if e.Value <= 0 {
			zero[0] = d
		}
		if e.Value >= 0 {
			zero[1] = d
		}
		switch {
		case sign == 0:
			ok = false
		case !ok || sign != s.Sign:
			s, ok = Shift{Sign: sign, Since: zero[0], Found: d}, true
			if sign < 0 {
				s.Since = zero[1]
			}
		}
	}
	return s, ok
}
