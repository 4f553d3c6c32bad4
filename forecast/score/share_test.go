package score

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
)

// Limits computed with R 4.2.2 (binom.test) and SciPy 1.10.1 (beta.ppf); 400
// cases know a share of 10 % to about 3 points.
func TestBinomialInterval(t *testing.T) {
	for _, c := range []struct{ hits, cases, level, low, high float64 }{
		{40, 400, .95, .0724062942, .1336778583},
		{7, 50, .90, .0675966990, .2469352017},
		{320, 400, .90, .7642374906, .8324141051},
		{9, 9, .90, .7168711644, 1},
		{0, 10, .95, 0, .3084971078}, // 1 - .025^(1/10)
		{0, 0, .90, 0, 1},
	} {
		got := BinomialInterval(c.hits, c.cases, c.level)
		require.InDelta(t, c.low, got.Low, 1e-9)
		require.InDelta(t, c.high, got.High, 1e-9)
	}
}

func TestClusteredIntervalAtItsEdges(t *testing.T) {
	_, ok := ClusteredInterval([]float64{3}, []float64{10}, .9)
	require.False(t, ok, "one series says nothing about the next")
	_, ok = ClusteredInterval([]float64{0, 0}, []float64{0, 0}, .9)
	require.False(t, ok)
	// All hit: every series counts as one case.
	got, ok := ClusteredInterval(repeated(50, 20), repeated(50, 20), .9)
	require.True(t, ok)
	require.Equal(t, BinomialInterval(20, 20, .9), got)
	// Clusters more alike than chance do not make it narrower than independent
	// cases are, but for the few clusters.
	got, ok = ClusteredInterval(repeated(5, 200), repeated(50, 200), .9)
	require.True(t, ok)
	independent := BinomialInterval(1000, 10000, .9)
	require.LessOrEqual(t, got.Low, independent.Low)
	require.GreaterOrEqual(t, got.High, independent.High)
	require.InDelta(t, independent.High, got.High, 1e-4)
}

func repeated(v float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

// Shares of 10 % in 40 series of 25 cases, each series with a share of its own
// (beta-binomial, correlation within a series .2): the clustered interval
// covers what it says, the binomial one far less.
func TestClusteredIntervalCovers(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 4))
	const series, each, share, within, rounds = 40, 25, 0.1, 0.2, 600
	a := share * (1 - within) / within
	gamma := func(shape float64) float64 { return gammaDraw(r, shape) }
	clustered, binomial := 0.0, 0.0
	hits := make([]float64, series)
	for range rounds {
		total := 0.0
		for i := range hits {
			x, y := gamma(a), gamma(a*(1-share)/share)
			hits[i] = 0
			for range each {
				if r.Float64() < x/(x+y) {
					hits[i]++
				}
			}
			total += hits[i]
		}
		if c, ok := ClusteredInterval(hits, repeated(each, series), .9); ok && c.Low <= share && share <= c.High {
			clustered++
		}
		if b := BinomialInterval(total, series*each, .9); b.Low <= share && share <= b.High {
			binomial++
		}
	}
	// Standard error of a share of .9 in 600 rounds: .012.
	require.InDelta(t, .91, clustered/rounds, .035)
	require.Less(t, binomial/rounds, .65)
}

// gammaDraw is Marsaglia and Tsang's method (A simple method for generating
// gamma variables, 2000, cited from memory), shapes below 1 by the power of a uniform.
func gammaDraw(r *rand.Rand, shape float64) float64 {
	if shape < 1 {
		return gammaDraw(r, shape+1) * math.Pow(r.Float64(), 1/shape)
	}
	d := shape - 1.0/3
	for {
		x := r.NormFloat64()
		v := math.Pow(1+x/math.Sqrt(9*d), 3)
		if v > 0 && math.Log(r.Float64()) < 0.5*x*x+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}

func TestPairedDifferenceByHand(t *testing.T) {
	// Sums 3 and 4: ratio .75. Residuals 1 - 1.5 and 2 - 1.5, variance
	// 2/1 x .5/16, standard error .25; t of one degree at .95 is 6.313751515.
	d, ok := PairedDifference([]float64{1, 2}, []float64{2, 2}, .9)
	require.True(t, ok)
	require.InDelta(t, -25, d.Percent, 1e-12)
	require.InDelta(t, -25-25*6.313751514675, d.Interval.Low, 1e-6)
	require.InDelta(t, -25+25*6.313751514675, d.Interval.High, 1e-6)
	d, ok = PairedDifference([]float64{3}, []float64{2}, .9)
	require.True(t, ok)
	require.Equal(t, Difference{Percent: 50}, d)
	_, ok = PairedDifference([]float64{1, 1}, []float64{0, 0}, .9)
	require.False(t, ok)
}

// The interval by linearisation agrees with a bootstrap that draws whole
// series (cluster bootstrap; Davison and Hinkley, Bootstrap methods and their
// application, 1997).
func TestPairedDifferenceAgreesWithAClusterBootstrap(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 77))
	const n = 150
	a, b := make([]float64, n), make([]float64, n)
	for i := range a {
		common := math.Exp(r.NormFloat64())
		a[i], b[i] = common*(0.9+0.3*r.Float64()), common*(0.8+0.5*r.Float64())
	}
	d, ok := PairedDifference(a, b, .9)
	require.True(t, ok)
	draws := make([]float64, 4000)
	for k := range draws {
		var x, y float64
		for range n {
			i := r.IntN(n)
			x, y = x+a[i], y+b[i]
		}
		draws[k] = 100 * (x/y - 1)
	}
	slices.Sort(draws)
	width := d.Interval.High - d.Interval.Low
	require.InDelta(t, sample(draws).Quantile(.05), d.Interval.Low, .1*width)
	require.InDelta(t, sample(draws).Quantile(.95), d.Interval.High, .1*width)
	require.InDelta(t, 2*1.645*stat.StdDev(draws, nil), width, .08*width)
}
