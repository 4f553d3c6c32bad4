package reservoir

import (
	"math"
	"slices"
)

const (
	// loudPrior is how many readings' worth what was known of the noise counts
	// beside those of the stretch, a proposal.
	loudPrior = 15
	// loudLeast is the least number of differences that say anything.
	loudLeast = 10
	// loudError over the root of the number of differences is taken off the
	// estimate, so that a sensor is seldom called loud by chance: about its
	// standard error. It and loudPrior were found by simulation: together
	// they cost less than a day of delay where the declaration is right.
	loudError = 2.0
	// trimmed is the mean square of a standard normal within its central four
	// fifths: 1 - 2 q f(q) / 0.8 with q = 1.2816 and f the density.
	trimmed = 0.43771
	// loudMost bounds what a sensor may be beyond its declaration.
	loudMost = 25
)

// loudness is how many times the declared variance of the levels their noise
// comes to, 1 at least: a declaration that is too good would let noise speak for
// a fault.
//
// It rests on successive differences, of whose squares the largest fifth is left
// out: neither a fault nor a wild level now and then moves the rest much.
func loudness(p Params, steps []Step) float64 {
	before := 1.0
	if c := p.Carried; c != nil {
		before = max(1, c.Loud)
	}
	list := make([]float64, 0, len(steps))
	var declared float64
	var last Step
	told, unknown := 0.0, 0.0
	for i := range steps {
		s := &steps[i]
		told, unknown = told+s.Commanded, unknown+s.Unknown
		if !s.HasLevel {
			continue
		}
		if last.HasLevel {
			list = append(list, s.Level-last.Level+told*p.factor())
			declared += s.noise() + last.noise() + p.Scatter*told + unknown
		}
		last, told, unknown = *s, 0, 0
	}
	n := len(list)
	if n < loudLeast || declared <= 0 {
		return before
	}
	slices.Sort(list)
	m := (list[(n-1)/2] + list[n/2]) / 2
	for i := range list {
		list[i] = (list[i] - m) * (list[i] - m)
	}
	slices.Sort(list)
	keep := (4*n + 4) / 5
	sum := 0.0
	for _, x := range list[:keep] {
		sum += x
	}
	found := sum / float64(keep) / trimmed / (declared / float64(n)) * (1 - min(0.6, loudError/math.Sqrt(float64(n))))
	return min(max(1, (loudPrior*before+float64(n)*found)/(loudPrior+float64(n))), loudMost)
}
