package depletion_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/depletion"
)

// Quantiles of Student's t and of the normal distribution, computed with R
// 4.2.2 (qt, qnorm) at .90, .95 and .975.
func TestStudentQuantiles(t *testing.T) {
	for df, want := range map[float64][3]float64{
		1:   {3.07768353717525, 6.31375151467504, 12.7062047361747},
		2:   {1.88561808316413, 2.91998558035372, 4.30265272974946},
		5:   {1.47588404882448, 2.01504837333302, 2.57058183563631},
		10:  {1.37218364111034, 1.81246112281168, 2.22813885198627},
		29:  {1.31143364730155, 1.6991270265335, 2.0452296421327},
		30:  {1.3104150253914, 1.69726088659396, 2.04227245630124},
		100: {1.29007476134651, 1.66023432608534, 1.98397151852355},
		0:   {1.2815515655446, 1.64485362695147, 1.95996398454005},
		1e9: {1.2815515655446, 1.64485362695147, 1.95996398454005},
	} {
		for i, p := range []float64{.90, .95, .975} {
			require.InEpsilon(t, want[i], depletion.TQuantile(p, df), 1e-12, "df %g p %g", df, p)
			require.InEpsilon(t, -want[i], depletion.TQuantile(1-p, df), 1e-12, "df %g p %g", df, 1-p)
			require.InDelta(t, p, depletion.TCDF(want[i], df), 1e-13)
		}
	}
	// R pt(1, 3) and pt(2.5, 10).
	require.InDelta(t, .804498890522115, depletion.TCDF(1, 3), 1e-14)
	require.InDelta(t, .984276577881696, depletion.TCDF(2.5, 10), 1e-14)
	require.True(t, math.IsNaN(depletion.TQuantile(0, 5)))
	require.Zero(t, depletion.TQuantile(0.5, 5))
	require.Equal(t, 1.0, depletion.TCDF(math.Inf(1), 5))
	require.Zero(t, depletion.TCDF(math.Inf(-1), 5))
}

// The polished expansion must agree with the distribution it inverts over the
// range that forecasts use, whole and fractional degrees alike.
func TestStudentQuantileInvertsDistribution(t *testing.T) {
	for df := 1.0; df < 400; df *= 1.37 {
		for _, p := range []float64{1e-5, 0.001, 0.01, 0.1, 0.3, 0.5001, 0.8, 0.9, 0.995} {
			require.InEpsilon(t, p, depletion.TCDF(depletion.TQuantile(p, df), df), 1e-10, "df %g p %g", df, p)
		}
	}
}

// Posterior-predictive quantiles at .05, .10, .50, .90 and .95, computed with
// R 4.2.2 by root finding; n 10, 60 and 200 agree with SciPy 1.10.1.
func TestPosteriorQuantiles(t *testing.T) {
	for _, c := range []struct {
		budget, mean, sd float64
		n                int
		want             [5]float64
	}{
		{1000, 20, 5, 60, [5]float64{46.220893302, 47.032123834, 50, 53.248331294, 54.245889848}},
		{1000, 20, 5, 10, [5]float64{43.071281543, 44.604017858, 50, 56.726921599, 59.288486382}},
		{300, 8, 6, 30, [5]float64{28.099308829, 29.900259123, 37.5, 48.598538658, 52.909822156}},
		{120, 14, 7, 200, [5]float64{6.440931234, 6.859033527, 8.571428571, 10.733514958, 11.445712129}},
	} {
		for i, p := range []float64{.05, .10, .50, .90, .95} {
			got, ok := depletion.PosteriorQuantile(p, c.budget, c.mean, c.sd, c.n)
			require.True(t, ok)
			require.InEpsilon(t, c.want[i], got, 1e-10, "n %d p %g", c.n, p)
			// The closed form solves its own equation to 9 digits.
			f := depletion.TCDF((got*c.mean-c.budget)/(c.sd*math.Sqrt(got+got*got/float64(c.n))), float64(c.n-1))
			require.InDelta(t, p, f, 1e-9)
		}
	}
}

func TestPosteriorQuantileEdges(t *testing.T) {
	// Mean 1 and sd 10 over 5 days do not exclude a mean of 0: late never comes.
	_, ok := depletion.PosteriorQuantile(0.9, 100, 1, 10, 5)
	require.False(t, ok)
	early, ok := depletion.PosteriorQuantile(0.1, 100, 1, 10, 5)
	require.True(t, ok)
	require.Positive(t, early)
	d, ok := depletion.PosteriorQuantile(0.9, 0, 1, 1, 5)
	require.True(t, ok)
	require.Zero(t, d)
	d, ok = depletion.PosteriorQuantile(0.9, 50, 5, 0, 5)
	require.True(t, ok)
	require.InDelta(t, 10, d, 1e-12)
	for _, n := range []int{0, 1} {
		_, ok = depletion.PosteriorQuantile(0.5, 50, 5, 1, n)
		require.False(t, ok)
	}
	_, ok = depletion.PosteriorQuantile(0.5, 50, 0, 1, 9)
	require.False(t, ok, "no use never empties")
}

// A mixture of one is its member, and one of two lies between them.
func TestMixture(t *testing.T) {
	a, b := steady(10, 9, 100), steady(14, 9, 100)
	budget := depletion.Budget{Mean: 300, Var: 4}
	alone := depletion.Mixture{Curves: []depletion.Curve{a}, Weights: []float64{1}}
	both := depletion.Mixture{Curves: []depletion.Curve{a, b}, Weights: []float64{0.5, 0.5}}
	for _, p := range []float64{0.1, 0.5, 0.9} {
		want, _ := a.Quantile(p, budget)
		got, ok := alone.Quantile(p, budget)
		require.True(t, ok)
		require.InDelta(t, want, got, 1e-9)
		early, _ := b.Quantile(p, budget)
		got, ok = both.Quantile(p, budget)
		require.True(t, ok)
		require.True(t, got > early && got < want)
		require.InDelta(t, p, both.Chance(got, budget), 1e-9)
	}
	_, ok := both.Quantile(0.5, depletion.Budget{Mean: 5000})
	require.False(t, ok)
	_, ok = depletion.Mixture{}.Quantile(0.5, budget)
	require.False(t, ok)
	d, ok := both.Quantile(0.5, depletion.Budget{})
	require.True(t, ok)
	require.Zero(t, d)
}

// One curve is its own mixture; moments are those of the law of total variance;
// one walk for three quantiles gives what three searches give.
func TestMixtureOfCurves(t *testing.T) {
	a := depletion.Curve{Mean: []float64{0}, Var: []float64{0}}
	b := depletion.Curve{Mean: []float64{0}, Var: []float64{0}}
	for k := 1; k <= 100; k++ {
		a.Mean, a.Var = append(a.Mean, 10*float64(k)), append(a.Var, 9*float64(k))
		b.Mean, b.Var = append(b.Mean, 14*float64(k)), append(b.Var, 4*float64(k))
	}
	budget := depletion.Budget{Mean: 400, Var: 25}
	one := depletion.Mixture{Curves: []depletion.Curve{a}, Weights: []float64{1}}
	w10, w50, w90 := a.Range(budget)
	p10, p50, p90 := one.Range(budget)
	require.Equal(t, []float64{w10, w50, w90}, []float64{p10, p50, p90})
	m := depletion.Mixture{Curves: []depletion.Curve{a, b}, Weights: []float64{0.75, 0.25}}
	require.Equal(t, 100, m.Days())
	require.InDelta(t, 11*20, m.MeanAt(20), 1e-9)
	c := m.Moments(depletion.Curve{})
	require.InDelta(t, 11*20, c.Mean[20], 1e-9)
	// 0.75 x 9 + 0.25 x 4 a day, and 0.75 x 0.25 x (4 x 20)^2 between them.
	require.InDelta(t, 20*7.75+1200, c.Var[20], 1e-9)
	p10, p50, p90 = m.Range(budget)
	for p, got := range map[float64]float64{0.1: p10, 0.5: p50, 0.9: p90} {
		want, ok := m.Quantile(p, budget)
		require.True(t, ok)
		require.InDelta(t, want, got, 1e-9)
		require.InDelta(t, p, m.Chance(got, budget), 1e-9)
	}
	require.Equal(t, 1.0, m.Chance(0, depletion.Budget{}), "empty already")
	_, _, late := m.Range(depletion.Budget{Mean: 1100})
	require.True(t, math.IsInf(late, 1), "beyond the horizon")
	require.Zero(t, depletion.Mixture{}.Days())
	require.Empty(t, depletion.Mixture{}.Moments(depletion.Curve{}).Mean)
}
