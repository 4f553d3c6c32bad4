package depletion

import "math"

// PosteriorQuantile is the closed form of the time at which a budget is used
// up with chance p when days are independent and normal with unknown mean and
// variance: mean and sd are those of n days of history, and cumulative duty is
// predicted as t mean + sd sqrt(t + t^2/n) times Student's t with n-1 degrees.
// Solving for t is Fieller's quadratic (Some problems in interval estimation,
// 1954). ok is false when the quantile never comes because a mean of 0 is not
// excluded, and for input that allows no answer (n < 2, negative sd). Days,
// with budget and mean in one unit.
func PosteriorQuantile(p, budget, mean, sd float64, n int) (days float64, ok bool) {
	if budget <= 0 {
		return 0, true
	}
	if !(p > 0 && p < 1) || n < 2 || !(sd >= 0) || !(mean > 0) || math.IsInf(budget, 0) || math.IsNaN(budget) {
		return 0, false
	}
	q := TQuantile(p, float64(n-1))
	qs := q * q * sd * sd
	a := mean*mean - qs/float64(n)
	b := 2*budget*mean + qs
	if p <= 0.5 {
		// The smaller root, in the form that stays exact as a passes 0.
		return 2 * budget * budget / (b + math.Sqrt(math.Max(0, b*b-4*a*budget*budget))), true
	}
	if a <= 0 {
		return 0, false
	}
	return (b + math.Sqrt(math.Max(0, b*b-4*a*budget*budget))) / (2 * a), true
}
