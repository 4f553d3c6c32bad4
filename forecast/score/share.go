package score

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"dwindle/forecast/depletion"
)

// confidence is the level of every interval in a report.
const confidence = 0.90

// Interval is a two-sided confidence interval.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// BinomialInterval is the exact interval of a share of which hits of cases
// independent cases are known, in the equal-tailed form by quantiles of the
// beta distribution (Clopper and Pearson, The use of confidence or fiducial
// limits illustrated in the case of the binomial, 1934). Counts need not be
// whole. Without cases it is 0 to 1.
func BinomialInterval(hits, cases, level float64) Interval {
	out := Interval{0, 1}
	tail := (1 - level) / 2
	if hits > 0 && cases > 0 {
		out.Low = mathext.InvRegIncBeta(hits, cases-hits+1, tail)
	}
	if hits < cases {
		out.High = mathext.InvRegIncBeta(hits+1, cases-hits, 1-tail)
	}
	return out
}

// ClusteredInterval is the interval of a share whose cases come in clusters:
// the cases of one series see the same machine and mostly the same days, so
// many of them are worth few independent ones. The variance between clusters
// (of a ratio estimate) gives an effective number of cases, corrected for few
// clusters by Student's t, and that goes into the exact interval (Korn and
// Graubard, Confidence intervals for proportions with small expected number of
// positive counts estimated from survey data, 1998; from memory). The effective
// number is never above the number of cases; where no or every case is a hit
// the clusters say nothing about their spread, and each counts as one case. ok
// is false with fewer than two clusters.
func ClusteredInterval(hits, cases []float64, level float64) (Interval, bool) {
	g := float64(len(cases))
	var k, n float64
	for i := range cases {
		k += hits[i]
		n += cases[i]
	}
	if g < 2 || n == 0 {
		return Interval{}, false
	}
	p := k / n
	effective := g
	if p > 0 && p < 1 {
		between := clusterVariance(hits, cases, p)
		// Never narrower than independent cases would be.
		effective = p * (1 - p) / math.Max(between, p*(1-p)/n)
		few := depletion.TQuantile(1-(1-level)/2, n-1) / depletion.TQuantile(1-(1-level)/2, g-1)
		effective *= few * few
	}
	return BinomialInterval(p*effective, effective, level), true
}

// clusterVariance is the variance of the ratio of two sums over clusters, by
// linearisation about the ratio itself (Cochran, Sampling techniques, 1977).
func clusterVariance(over, under []float64, ratio float64) float64 {
	var ss, total float64
	for i := range under {
		d := over[i] - ratio*under[i]
		ss += d * d
		total += under[i]
	}
	g := float64(len(under))
	return g / (g - 1) * ss / (total * total)
}

// Difference is how much larger one model's mean score is than another's, in
// percent of the other's: below 0 is better. Interval is missing where it cannot be
// known, from one unit.
type Difference struct {
	Percent  float64   `json:"percent"`
	Interval *Interval `json:"interval,omitempty"`
}

// PairedDifference compares sums of scores of the same cases, one sum per
// unit. The interval is cluster-robust: cases of one unit are not
// independent, units are taken to be. It is the ratio of the sums with its
// variance by linearisation and Student's t with one degree less than there are
// units; the score of the other model is uncertain too, so this is a ratio,
// not a difference over a constant. ok is false where the other's score is 0.
func PairedDifference(ours, theirs []float64, level float64) (Difference, bool) {
	var a, b float64
	for i := range theirs {
		a += ours[i]
		b += theirs[i]
	}
	if !(b > 0) {
		return Difference{}, false
	}
	d := Difference{Percent: 100 * (a/b - 1)}
	if g := float64(len(theirs)); g > 1 {
		half := depletion.TQuantile(1-(1-level)/2, g-1) * 100 * math.Sqrt(clusterVariance(ours, theirs, a/b))
		d.Interval = &Interval{d.Percent - half, d.Percent + half}
	}
	return d, true
}
