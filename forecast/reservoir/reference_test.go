package reservoir_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/internal/reference"
	"dwindle/forecast/reservoir"
)

// Ten steps of the filter against statsmodels KalmanFilter: commanded 2 cm3 a
// step, scatter 0.04, wander 1e-5, measurement variance 1 + 1.25^2/12, start
// (125, 1) with variances 4 and 0.01; step 5 has no reading and step 8 an
// outlier that is passed over. The log-likelihood is that of the innovations.
func TestFilterAgainstStatsmodels(t *testing.T) {
	e := reservoir.Begin(125, 2, 1, 0.1)
	r := 1 + 1.25*1.25/12
	loglik := 0.0
	for _, row := range reference.Table(t, "fusion.csv") {
		e.Predict(2, 0.04, 1e-5)
		if y := row.Number("reading"); y > 0 {
			v, s := e.Update(y, r)
			loglik -= 0.5 * (math.Log(2*math.Pi*s) + v*v/s)
		}
		step := row.Number("step")
		require.InEpsilon(t, row.Number("remaining"), e.Remaining, 1e-12, "step %g", step)
		require.InEpsilon(t, row.Number("factor"), e.Factor, 1e-12, "step %g", step)
		require.InEpsilon(t, row.Number("var_r"), e.VarR, 1e-12, "step %g", step)
		require.InEpsilon(t, row.Number("cov"), e.Cov, 1e-11, "step %g", step)
		require.InEpsilon(t, row.Number("var_f"), e.VarF, 1e-12, "step %g", step)
		require.InDelta(t, row.Number("loglik"), loglik, 1e-11, "step %g", step)
	}
	require.InDelta(t, -11.6775061673, loglik, 1e-9)
}

// R KalmanRun, the first four of these steps.
func TestFilterAgainstR(t *testing.T) {
	readings := []float64{122.5, 121.25, 120, 117.5}
	e := reservoir.Begin(125, 2, 1, 0.1)
	rows := reference.Table(t, "fusion_kalmanrun.csv")
	require.Len(t, rows, len(readings))
	for i, row := range rows {
		e.Predict(2, 0.04, 1e-5)
		e.Update(readings[i], 1+1.25*1.25/12)
		require.InEpsilon(t, row.Number("remaining"), e.Remaining, 1e-12)
		require.InEpsilon(t, row.Number("factor"), e.Factor, 1e-12)
		require.InEpsilon(t, row.Number("var_r"), e.VarR, 1e-12)
		require.InEpsilon(t, row.Number("cov"), e.Cov, 1e-11)
		require.InEpsilon(t, row.Number("var_f"), e.VarF, 1e-12)
	}
}

// Levels within bounds against SciPy: truncnorm without noise, quadrature of
// prior times chance with noise. The factor follows by its regression on the
// remaining volume, whatever was learned of that.
func TestBoundsAgainstSciPy(t *testing.T) {
	for _, row := range reference.Table(t, "bounds.csv") {
		mean, variance := row.Number("mean"), row.Number("var")
		e := reservoir.Estimate{Remaining: mean, VarR: variance, Factor: 0.9, VarF: 0.01, Cov: -0.04 * math.Sqrt(variance)}
		before := e
		require.True(t, e.UpdateWithin(row.Number("low"), row.Number("high"), row.Number("noise")))
		require.InDelta(t, row.Number("posterior_mean"), e.Remaining, 1e-9)
		require.InDelta(t, row.Number("posterior_var"), e.VarR, 1e-9)
		k := before.Cov / before.VarR
		require.InDelta(t, before.Factor+k*(row.Number("posterior_mean")-mean), e.Factor, 1e-10)
		require.InDelta(t, k*row.Number("posterior_var"), e.Cov, 1e-10)
		require.InDelta(t, before.VarF+k*k*(row.Number("posterior_var")-variance), e.VarF, 1e-10)
	}
}

// A reading is taken in without allocation.
func TestFusionAllocatesNothing(t *testing.T) {
	e := reservoir.Begin(125, 2, 1, 0.1)
	require.Zero(t, testing.AllocsPerRun(100, func() {
		e.Predict(0.1, 0.04, 1e-5)
		e.Update(120, 1.13)
		e.UpdateWithin(100, 140, 0.3)
	}))
}

// How well n readings at equal steps tell the ratio: sqrt(12 r/(c^2 n (n^2-1)))
// for readings of variance r and c cm3 commanded between them. With r 1.13 and c
// 2, 7 readings give 0.100, 14 give 0.0352 and 28 give 0.0124 (plain
// arithmetic), which is the least that Slope states.
func TestSlopeOfEqualSteps(t *testing.T) {
	const r, c = 1.13, 2.0
	for n, want := range map[int]float64{7: 0.100, 14: 0.0352, 28: 0.0124} {
		var w []reservoir.Reading
		for i := range n {
			w = append(w, reservoir.Reading{Commanded: c * float64(i), Level: 100 - 0.8*c*float64(i)})
		}
		got, ok := reservoir.Slope(w, 0, math.Sqrt(r), 0)
		require.True(t, ok)
		require.InDelta(t, 0.8, got.Value, 1e-12)
		require.InEpsilon(t, math.Sqrt(12*r/(c*c*float64(n*(n*n-1)))), got.SE, 1e-9)
		require.InDelta(t, want, got.SE, 0.0005)
	}
}
