package depletion_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/depletion"
	"dwindle/forecast/internal/reference"
)

// R package statmod, dinvgauss and pinvgauss: far tails included, where the
// textbook formula overflows.
func TestInverseGaussian(t *testing.T) {
	for _, r := range reference.Table(t, "inverse_gaussian.csv") {
		g := depletion.InverseGaussian{Mean: r.Number("mean"), Shape: r.Number("shape")}
		x := r.Number("x")
		require.InEpsilon(t, r.Number("density"), g.Density(x), 1e-12, "%+v at %g", g, x)
		require.InEpsilon(t, r.Number("cdf"), g.CDF(x), 1e-12, "%+v at %g", g, x)
		require.InEpsilon(t, r.Number("survival"), g.Survival(x), 1e-12, "%+v at %g", g, x)
	}
	// The one that says most: 4.68665948162522e-25 by the same package.
	require.InEpsilon(t, 4.68665948162522e-25, depletion.InverseGaussian{Mean: 365, Shape: 1e6}.CDF(300), 1e-12)
}

// R package statmod, qinvgauss.
func TestInverseGaussianQuantiles(t *testing.T) {
	for _, r := range reference.Table(t, "inverse_gaussian_quantiles.csv") {
		g := depletion.InverseGaussian{Mean: r.Number("mean"), Shape: r.Number("shape")}
		require.InEpsilon(t, r.Number("x"), g.Quantile(r.Number("p")), 1e-12, "%+v at %g", g, r.Number("p"))
	}
}

func TestInverseGaussianQuantileInvertsTheLaw(t *testing.T) {
	for mean := 0.01; mean < 1e4; mean *= 7 {
		for shape := 0.01; shape < 1e7; shape *= 11 {
			g := depletion.InverseGaussian{Mean: mean, Shape: shape}
			last := 0.0
			for _, p := range []float64{1e-6, 0.01, 0.1, 0.4, 0.6, 0.9, 0.99, 1 - 1e-6} {
				x := g.Quantile(p)
				require.Greater(t, x, last, "%+v", g)
				require.InDelta(t, p, g.CDF(x), 1e-12, "%+v", g)
				require.InDelta(t, 1, g.CDF(x)+g.Survival(x), 1e-12, "%+v", g)
				last = x
			}
		}
	}
}

func TestInverseGaussianEdges(t *testing.T) {
	g := depletion.FirstPassage(1000, 20, 5)
	require.Equal(t, depletion.InverseGaussian{Mean: 50, Shape: 40000}, g)
	for _, x := range []float64{-1, 0} {
		require.Zero(t, g.CDF(x))
		require.Zero(t, g.Density(x))
		require.Equal(t, 1.0, g.Survival(x))
	}
	require.Equal(t, 1.0, g.CDF(math.Inf(1)))
	require.Zero(t, g.Survival(math.Inf(1)))
	for _, bad := range []depletion.InverseGaussian{{}, {Mean: -1, Shape: 1}, {Mean: 1}, {Mean: math.NaN(), Shape: 1}, depletion.FirstPassage(10, 0, 1), depletion.FirstPassage(10, 1, 0)} {
		require.True(t, math.IsNaN(bad.CDF(1)))
		require.True(t, math.IsNaN(bad.Survival(1)))
		require.True(t, math.IsNaN(bad.Density(1)))
		require.True(t, math.IsNaN(bad.Quantile(0.5)))
	}
	require.True(t, math.IsNaN(g.Quantile(0)))
	require.True(t, math.IsNaN(g.Quantile(1)))
}

// Equal independent days, a budget of 1000 h at 20 +- 5 h a day, at every
// quarter of a day from 30 to 75: a curve's law is that of the normal sum
// (Birnbaum and Saunders), to the digit, and stays within 0.0071 of the exact
// law of Brownian duty. It lies below it: a sum that may fall back has also
// passed where it is below the budget again.
func TestCurveAgainstBrownianDuty(t *testing.T) {
	c := steady(20, 25, 80)
	g := depletion.FirstPassage(1000, 20, 5)
	most := 0.0
	for _, r := range reference.Table(t, "first_passage.csv") {
		at := r.Number("days")
		require.InDelta(t, r.Number("brownian"), g.CDF(at), 1e-13)
		p := c.Chance(at, depletion.Budget{Mean: 1000})
		require.InDelta(t, r.Number("normal_sum"), p, 1e-13)
		d := g.CDF(at) - p
		require.GreaterOrEqual(t, d, -1e-15)
		most = math.Max(most, d)
	}
	require.InDelta(t, 0.0070, most, 0.0001)
	// At 46 to 54 days as computed with statmod 1.5.0 and R 4.2.2.
	for i, want := range []float64{.0095962315, .1277254630, .5070501680, .8701806648, .9859301308} {
		require.InDelta(t, want, g.CDF(float64(46+2*i)), 5e-11)
	}
	// In dates: P10, P50 and P90 differ by hours.
	p10, p50, p90 := c.Range(depletion.Budget{Mean: 1000})
	for i, p := range []float64{.1, .5, .9} {
		require.InDelta(t, g.Quantile(p), []float64{p10, p50, p90}[i], 0.1, "p %g", p)
	}
}

// R qt, qnorm and pt.
func TestStudentAgainstR(t *testing.T) {
	for _, r := range reference.Table(t, "student_quantiles.csv") {
		require.InEpsilon(t, r.Number("x"), depletion.TQuantile(r.Number("p"), r.Number("df")), 1e-12)
	}
	for _, r := range reference.Table(t, "student_cdf.csv") {
		require.InEpsilon(t, r.Number("p"), depletion.TCDF(r.Number("x"), r.Number("df")), 1e-12)
	}
}

// R uniroot on qt. (SciPy 1.10.1 has t(29) wrong from the ninth digit, and what
// follows from it.)
func TestPosteriorQuantilesAgainstR(t *testing.T) {
	for _, r := range reference.Table(t, "posterior_quantiles.csv") {
		got, ok := depletion.PosteriorQuantile(r.Number("p"), r.Number("budget"), r.Number("mean"), r.Number("sd"), int(r.Number("n")))
		require.True(t, ok)
		require.InEpsilon(t, r.Number("days"), got, 1e-12)
	}
}

// The same law by simulation in R: variance and mean drawn from their
// posterior, days added up one by one. 4.5 standard errors of 200,000 runs.
func TestPosteriorQuantilesAgainstSimulation(t *testing.T) {
	for _, r := range reference.Table(t, "posterior_simulated.csv") {
		p, runs := r.Number("reached"), r.Number("runs")
		if p < 0.001 || p > 0.999 {
			continue // too few runs on one side
		}
		mean, sd, n, day := r.Number("mean"), r.Number("sd"), r.Number("n"), r.Number("day")
		se := math.Sqrt(p * (1 - p) / runs)
		// The closed form's own chance at that day.
		got := depletion.TCDF((day*mean-r.Number("budget"))/(sd*math.Sqrt(day+day*day/n)), n-1)
		require.InDelta(t, p, got, 4.5*se, "n %g day %g", n, day)
		// And as people use it: the quantile at that chance is that day.
		for _, shift := range []float64{-4.5 * se, 4.5 * se} {
			q, ok := depletion.PosteriorQuantile(p+shift, r.Number("budget"), mean, sd, int(n))
			require.True(t, ok)
			if shift < 0 {
				require.Less(t, q, day)
			} else {
				require.Greater(t, q, day)
			}
		}
	}
}

// A working week with days off, against R pnorm, and against gamma days in R,
// where duty is never negative and the sum never falls: the normal law of the
// sum is then within 0.007 of the simulated one.
func TestWeeklyPatternAgainstR(t *testing.T) {
	c := depletion.Curve{Mean: []float64{0}, Var: []float64{0}}
	week := [7][2]float64{{16, 9}, {16, 9}, {16, 9}, {16, 9}, {16, 9}, {6, 16}, {0, 0}}
	for day := range 100 {
		c.Mean = append(c.Mean, c.Mean[day]+week[day%7][0])
		c.Var = append(c.Var, c.Var[day]+week[day%7][1])
	}
	b := depletion.Budget{Mean: 1000}
	for _, r := range reference.Table(t, "weekly_pattern.csv") {
		day := int(r.Number("day"))
		require.Equal(t, r.Number("mean"), c.Mean[day])
		require.Equal(t, r.Number("variance"), c.Var[day])
		require.InDelta(t, r.Number("chance"), c.Chance(float64(day), b), 1e-13)
	}
	for _, r := range reference.Table(t, "weekly_pattern_simulated.csv") {
		require.InDelta(t, r.Number("passed"), c.Chance(r.Number("day"), b), 0.007, "day %g", r.Number("day"))
	}
}

// R ppois, qgamma and pnbinom.
func TestCounts(t *testing.T) {
	for _, r := range reference.Table(t, "counts_known_rate.csv") {
		require.InEpsilon(t, r.Number("chance"), depletion.CountChance(int(r.Number("count")), r.Number("rate"), r.Number("days")), 1e-12)
	}
	for _, r := range reference.Table(t, "counts_known_rate_quantiles.csv") {
		require.InDelta(t, r.Number("p"), depletion.CountChance(int(r.Number("count")), r.Number("rate"), r.Number("days")), 1e-13)
	}
	for _, r := range reference.Table(t, "counts_gamma_rate.csv") {
		got := depletion.CountChanceLearned(int(r.Number("count")), r.Number("shape"), r.Number("rate"), r.Number("days"))
		require.InEpsilon(t, r.Number("chance"), got, 1e-11)
		require.InEpsilon(t, r.Number("by_beta"), got, 1e-11)
	}
	require.Equal(t, 1.0, depletion.CountChance(0, 1, 1))
	require.Zero(t, depletion.CountChance(3, 0, 5))
	require.Zero(t, depletion.CountChance(3, 1, 0))
	require.Equal(t, 1.0, depletion.CountChanceLearned(0, 1, 1, 1))
	require.Zero(t, depletion.CountChanceLearned(3, 0, 1, 5))
}

// Strokes that come by chance, as a curve: mean rate x t and variance of the
// count (rate t, and with a learned rate t^2 times its variance besides). The
// normal law is then within 0.012 of the exact one, half a stroke allowed for,
// and within 0.025 where the rate rests on as few as 40 strokes.
func TestCurveAgainstCounts(t *testing.T) {
	for _, r := range reference.Table(t, "counts_known_rate.csv") {
		rate := r.Number("rate")
		c := steady(rate, rate, 150)
		got := c.Chance(r.Number("days"), depletion.Budget{Mean: r.Number("count") - 0.5})
		require.InDelta(t, r.Number("chance"), got, 0.012, "days %g", r.Number("days"))
	}
	for _, r := range reference.Table(t, "counts_gamma_rate.csv") {
		mean := r.Number("shape") / r.Number("rate")
		c := steady(mean, mean, 150)
		for k := range c.Var {
			c.Var[k] += float64(k*k) * mean / r.Number("rate")
		}
		got := c.Chance(r.Number("days"), depletion.Budget{Mean: r.Number("count") - 0.5})
		require.InDelta(t, r.Number("chance"), got, 0.025, "days %g", r.Number("days"))
	}
}
