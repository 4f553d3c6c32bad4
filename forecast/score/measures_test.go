package score

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mathext"

	"dwindle/forecast/depletion"
)

// Expected figures computed with R 4.2.2 (quantiles 50, 60, 72).
func TestMeasures(t *testing.T) {
	r := Range{50, 60, 72}
	for _, c := range []struct {
		truth                    float64
		pinball                  [3]float64
		mean, interval, weighted float64
	}{
		{55, [3]float64{.5, 2.5, 1.7}, 1.566667, 22, 3.133333},
		{66, [3]float64{1.6, 3, .6}, 1.733333, 22, 3.466667},
		{80, [3]float64{3, 10, 7.2}, 6.733333, 102, 13.466667},
		{45, [3]float64{4.5, 7.5, 2.7}, 4.9, 72, 9.8},
	} {
		for i, p := range levels {
			require.InDelta(t, c.pinball[i], Pinball(p, r[i], c.truth), 1e-12)
		}
		require.InDelta(t, c.mean, MeanPinball(r, c.truth), 1e-6)
		require.InDelta(t, c.interval, IntervalScore(r, c.truth), 1e-9)
		require.InDelta(t, c.weighted, WeightedInterval(r, c.truth), 1e-6)
		require.InDelta(t, 10*c.pinball[0], Newsvendor(r[0], c.truth), 1e-12, "the critical ratio is that of P10")
		require.InDelta(t, 2*MeanPinball(r, c.truth), WeightedInterval(r, c.truth), 1e-12)
	}
}

// Expected figures computed with SciPy 1.10.1 (closed form of the normal): at
// 0, 1 and 2 of the standard normal, and at 66 of mean 60, deviation 5. The
// laws stand far enough from 0.
func TestCRPSOfANormal(t *testing.T) {
	for _, c := range []struct{ mean, sd, truth, want float64 }{
		{50, 1, 50, .233694977255}, {50, 1, 51, .602441357628}, {50, 1, 48, 1.452791821686}, {60, 5, 66, 3.740076589433},
	} {
		law := normal{c.mean, c.sd}
		require.InEpsilon(t, c.want, CRPS(law, c.truth, 400), 2e-3)
		sum := 0.0
		const grid = 2000
		for i := range grid {
			p := (float64(i) + 0.5) / grid
			sum += Pinball(p, law.Quantile(p), c.truth)
		}
		require.InEpsilon(t, 2*sum/grid, CRPS(law, c.truth, 400), 2e-3, "twice the mean pinball loss of all quantiles")
	}
	// All of it beyond the horizon: as at the horizon.
	require.InDelta(t, 90, CRPS(normal{1000, 1}, 10, 100), 1e-9)
	// A law that is sure and right, and one that is sure and wrong.
	require.InDelta(t, 0, CRPS(sample{7, 7}, 7, 100), 1e-12)
	require.InDelta(t, 3, CRPS(sample{7, 7}, 10, 100), 1e-12)
	require.InDelta(t, 2, CRPS(sample{7, 7}, 5, 100), 1e-12)
}

type normal struct{ mean, sd float64 }

func (l normal) Range() Range               { return Range{l.Quantile(.1), l.mean, l.Quantile(.9)} }
func (l normal) Quantile(p float64) float64 { return l.mean + l.sd*mathext.NormalQuantile(p) }
func (l normal) Chance(t float64) float64   { return 0.5 * math.Erfc((l.mean-t)/l.sd/math.Sqrt2) }

// Every law's quantiles and chances are each other's inverse.
func TestLawsInvert(t *testing.T) {
	draws := make(sample, 400)
	r := rand.New(rand.NewPCG(3, 4))
	for i := range draws {
		draws[i] = 30 + 5*r.NormFloat64()
	}
	slices.Sort(draws)
	curve := depletion.Curve{Mean: make([]float64, 101), Var: make([]float64, 101), DF: 20}
	for i := range curve.Mean {
		curve.Mean[i], curve.Var[i] = 8*float64(i), 9*float64(i)
	}
	for name, law := range map[string]Law{
		"sample": draws, "curve": lasting(curve)(300), "posterior": posterior{300, 8, 6, 30},
		"mixture": lasting(depletion.Mixture{Curves: []depletion.Curve{curve, curve}, Weights: []float64{.4, .6}})(300),
	} {
		for _, p := range []float64{.01, .1, .3, .5, .75, .9, .99} {
			require.InDelta(t, p, law.Chance(law.Quantile(p)), 1e-9, name)
		}
		r := law.Range()
		for i, p := range levels {
			require.InDelta(t, law.Quantile(p), r[i], 1e-9, name)
		}
		require.Zero(t, law.Chance(-1), name)
	}
	never := posterior{300, 1, 6, 5}
	require.True(t, math.IsInf(never.Quantile(.9), 1))
	require.Less(t, never.Chance(1e9), .9)
	sure := posterior{300, 10, 0, 5}
	require.Zero(t, sure.Chance(29.9))
	require.Equal(t, 1.0, sure.Chance(30.1))
	halfNever := sample{1, 2, math.Inf(1), math.Inf(1)}
	require.InDelta(t, 1.0/3, halfNever.Chance(1e6), 1e-12)
	require.True(t, math.IsInf(halfNever.Quantile(.9), 1))
}
