package depletion

import "math"

// The normal distribution function as a table: a search for the quantile of a
// mixture looks at it some thousand times, and the error function takes ten
// times as long as all else about a look.
const (
	normalReach = 8.5 // beyond it the function is 0 or 1 to within 1e-17
	normalSteps = 64  // to a standard deviation
)

// normalKnots are the function and its slope per step, at equal distances from
// -normalReach on.
var normalKnots = func() (k [2*normalReach*normalSteps + 2]struct{ at, slope float64 }) {
	for i := range k {
		x := float64(i)/normalSteps - normalReach
		k[i].at, k[i].slope = 0.5*math.Erfc(-x/math.Sqrt2), normalDensity(x)/normalSteps
	}
	return k
}()

// normalCDF is the normal distribution function to within 1e-10, by cubic
// Hermite interpolation: the error is at most h^4/384 times the largest fourth
// derivative, which is 0.55 (P. M. Prenter, Splines and variational methods,
// 1975).
func normalCDF(x float64) float64 {
	u := (x + normalReach) * normalSteps
	switch {
	case !(u > 0):
		if math.IsNaN(x) {
			return x
		}
		return 0
	case u >= 2*normalReach*normalSteps:
		return 1
	}
	i := int(u)
	t := u - float64(i)
	a, b := &normalKnots[i], &normalKnots[i+1]
	d := b.at - a.at
	return a.at + t*(a.slope+t*(3*d-2*a.slope-b.slope+t*(a.slope+b.slope-2*d)))
}
