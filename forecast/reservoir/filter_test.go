package reservoir_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/forecast/reservoir"
)

// Two-state filter, step by step: commanded 2 cm3 a step, scatter 0.04, wander
// 1e-5, measurement variance 1 + 1.25^2/12, start (125, 1) with variances 4 and
// 0.01, readings as below; a missing one and an outlier beyond 3 sd passed over.
// Reference: R 4.2.2 stats::KalmanRun for the first four, the same recursions in
// R for the rest.
func TestFilterStepByStep(t *testing.T) {
	e := reservoir.Begin(125, 2, 1, 0.1)
	r := 1 + 1.25*1.25/12
	want := map[int][2]float64{
		1: {122.6084609541, 1.0019193090}, 2: {120.9046898399, 0.9945240392}, 3: {119.3138644470, 0.9749256731}, 4: {117.4097696870, 0.9718430915},
		6: {113.6165174221, 0.9649282706}, 7: {111.5240543329, 0.9763912637}, 9: {108.0949482255, 0.9470415907}, 10: {106.6747257798, 0.9198756303},
	}
	for i, y := range []float64{122.5, 121.25, 120, 117.5, math.NaN(), 113.75, 111.25, 120, 108.75, 107.5} {
		e.Predict(2, 0.04, 1e-5)
		step := i + 1
		switch step {
		case 5:
			require.InDelta(t, 115.466083504, e.Remaining, 1e-9)
			continue
		case 8:
			require.InDelta(t, 62.84, (y-e.Remaining)*(y-e.Remaining)/(e.VarR+r), 0.005)
			require.InDelta(t, 109.5712718056, e.Remaining, 1e-9)
			continue
		}
		e.Update(y, r)
		require.InDelta(t, want[step][0], e.Remaining, 1e-9, "step %d", step)
		require.InDelta(t, want[step][1], e.Factor, 1e-9, "step %d", step)
	}
	require.InDelta(t, 0.4122445861, e.VarR, 1e-9)
	require.InDelta(t, -0.0236335684, e.Cov, 1e-9)
	require.InDelta(t, 0.0031759105, e.VarF, 1e-9)
}

// Truncated normal moments: prior N(50, 4) within [50.625, 51.875). Reference:
// scipy 1.10.1 stats.truncnorm; the point update at 51.25 is plain arithmetic.
func TestFilterWithinBounds(t *testing.T) {
	e := reservoir.Begin(50, 2, 1, 0)
	require.True(t, e.UpdateWithin(50.625, 51.875, 0))
	require.InDelta(t, 51.2099365688, e.Remaining, 1e-9)
	require.InDelta(t, 0.1275694965, e.VarR, 1e-9)

	p := reservoir.Begin(50, 2, 1, 0)
	p.Update(51.25, 1.25*1.25/12)
	require.InDelta(t, 51.2105926860, p.Remaining, 1e-9)
	require.InDelta(t, 0.1261034048, p.VarR, 1e-9)

	far := reservoir.Begin(50, 1, 1, 0)
	require.False(t, far.UpdateWithin(80, 90, 0), "next to impossible")
	require.Equal(t, 50.0, far.Remaining)
}

// A dead-reckoned device: all that is unsure is the factor, so remaining and
// factor err together, and the error of the life is that of the total life:
// with 62 % used, 5 % on the factor is 5 % / 0.38 = 13 % of what is left.
func TestBudgetCovariance(t *testing.T) {
	e := reservoir.Begin(100, 0, 1, 0.05)
	e.Predict(62, 0, 0)
	mean, variance := e.Budget(0.5)
	require.InDelta(t, 76, mean, 1e-9)
	require.InDelta(t, 0.05/0.38, math.Sqrt(variance)/mean, 1e-3)
}

// Units are the caller's: a plant ten times as large gives ten times the
// volumes and the same factor.
func TestFilterScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(0.1, 50).Draw(t, "scale")
		n := rapid.IntRange(1, 60).Draw(t, "steps")
		var a, b []reservoir.Step
		left := 100.0
		for range n {
			c := rapid.Float64Range(0, 4).Draw(t, "commanded")
			left -= c * rapid.Float64Range(0.5, 1.5).Draw(t, "factor")
			has := rapid.Bool().Draw(t, "seen")
			a = append(a, reservoir.Step{Commanded: c, HasLevel: has, Level: left, Scale: 1, Noise: 0.8})
			b = append(b, reservoir.Step{Commanded: k * c, HasLevel: has, Level: k * left, Scale: k, Noise: 0.8 * k})
		}
		x := reservoir.Follow(reservoir.Params{Capacity: 100, FillSD: 2, Scatter: 0.0025, FactorSD: 0.1}, a)
		y := reservoir.Follow(reservoir.Params{Capacity: 100 * k, FillSD: 2 * k, Scatter: 0.0025 * k, FactorSD: 0.1}, b)
		require.InDelta(t, x.Estimate.Factor, y.Estimate.Factor, 1e-6)
		require.InDelta(t, k*x.Estimate.Remaining, y.Estimate.Remaining, 1e-6*k*100)
		require.Equal(t, x.Low, y.Low)
		shown := x.Estimate.Shown(100)
		require.True(t, shown >= 0 && shown <= 100)
	})
}

// One wild level must not move what is left; three alike in a row must.
func TestFollowOutliersAndJumps(t *testing.T) {
	p := reservoir.Params{Capacity: 120, FillSD: 2, Scatter: 0.0025, FactorSD: 0.1}
	steps := func(odd func(i int, level float64) float64) (out []reservoir.Step) {
		for i := range 40 {
			out = append(out, reservoir.Step{Commanded: 1, HasLevel: true, Level: odd(i, 120-float64(i+1)), Scale: 1.2, Noise: 0.7})
		}
		return out
	}
	clean := reservoir.Follow(p, steps(func(_ int, l float64) float64 { return l }))
	wild := reservoir.Follow(p, steps(func(i int, l float64) float64 {
		if i == 30 {
			return 5
		}
		return l
	}))
	require.InDelta(t, clean.Estimate.Remaining, wild.Estimate.Remaining, 0.2)
	require.Equal(t, 1, wild.Gated)
	jump := reservoir.Follow(p, steps(func(i int, l float64) float64 {
		if i >= 30 {
			return l - 30
		}
		return l
	}))
	require.InDelta(t, 50, jump.Estimate.Remaining, 2)
}

// A level that stands exactly still has no residuals; rounding errors of the
// arithmetic must not pass for correlated ones and hide the stop.
func TestSlopeOfALevelThatStandsStill(t *testing.T) {
	var w []reservoir.Reading
	for i := range 9 {
		w = append(w, reservoir.Reading{Commanded: 15.240393122229 + 0.9459761*float64(i), Level: 103.2})
	}
	r, ok := reservoir.Slope(w, 2.4, 0.48, 0.0025)
	require.True(t, ok)
	require.InDelta(t, 0, r.Value, 1e-9)
	// sqrt(12 (2.4^2/12 + 0.48^2) / (c^2 n)) is 0.13, and the saw-tooth 0.04.
	require.Less(t, r.SE, 0.16)
	_, ok = reservoir.Slope(w[:2], 2.4, 0.48, 0.0025)
	require.False(t, ok, "two readings make no slope with an error")
	for i := range w {
		w[i].Commanded = 5
	}
	_, ok = reservoir.Slope(w, 2.4, 0.48, 0.0025)
	require.False(t, ok, "nothing commanded")
}
