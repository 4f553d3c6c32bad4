package depletion_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config/civil"
	"dwindle/forecast/depletion"
)

// with is a curve of equal days with a stop of some days after a day.
func with(mean, variance float64, days, stop, length int) depletion.Curve {
	c := depletion.Curve{Mean: []float64{0}, Var: []float64{0}}
	for k := range days {
		m, v := mean, variance
		if k >= stop && k < stop+length {
			m, v = 0, 0
		}
		c.Mean, c.Var = append(c.Mean, c.Mean[k]+m), append(c.Var, c.Var[k]+v)
	}
	return c
}

// both runs a check on a curve and on a mixture that says the same twice.
func both(t *testing.T, c depletion.Curve, check func(t *testing.T, law depletion.Law)) {
	t.Helper()
	t.Run("curve", func(t *testing.T) { check(t, c) })
	t.Run("mixture", func(t *testing.T) {
		check(t, depletion.Mixture{Curves: []depletion.Curve{c, c}, Weights: []float64{0.5, 0.5}})
	})
}

func TestEdgeNothingLeft(t *testing.T) {
	both(t, steady(10, 4, 50), func(t *testing.T, law depletion.Law) {
		for _, left := range []float64{0, -40, math.Inf(-1)} {
			b := depletion.Budget{Mean: left, Var: 25}
			p10, p50, p90 := law.Range(b)
			require.Equal(t, [3]float64{}, [3]float64{p10, p50, p90})
			require.Equal(t, 1.0, law.Chance(0, b))
			require.Equal(t, civil.New(2026, 3, 1), depletion.DateAt(civil.New(2026, 3, 1), p90))
		}
	})
}

func TestEdgeNoUseAtAll(t *testing.T) {
	both(t, steady(0, 0, 50), func(t *testing.T, law depletion.Law) {
		b := depletion.Budget{Mean: 5}
		p10, _, _ := law.Range(b)
		require.True(t, math.IsInf(p10, 1), "never, not some day")
		require.Zero(t, law.Chance(50, b))
		_, ok := law.Quantile(0.01, b)
		require.False(t, ok)
	})
}

func TestEdgeNothingButShutdownAhead(t *testing.T) {
	both(t, with(10, 4, 60, 0, 60), func(t *testing.T, law depletion.Law) {
		p10, _, _ := law.Range(depletion.Budget{Mean: 5})
		require.True(t, math.IsInf(p10, 1))
		// What may be used up already stays possible, and no more than that: 5
		// left, give or take 5, are below 0 with chance Phi(-1).
		require.InDelta(t, 0.158655253931457, law.Chance(60, depletion.Budget{Mean: 5, Var: 25}), 1e-12)
	})
}

// The shutdown begins on the evening on which the budget is used up for half of
// all cases: the likely date is that evening, not the day work begins again, and
// the chance stands still meanwhile. 20 days of 10 +- 1 h; normal quantiles.
func TestEdgeShutdownBeginsAtTheCrossing(t *testing.T) {
	both(t, with(10, 1, 60, 20, 14), func(t *testing.T, law depletion.Law) {
		b := depletion.Budget{Mean: 200}
		p10, p50, p90 := law.Range(b)
		require.InDelta(t, 20, p50, 1e-9)
		require.Less(t, p10, 20.0)
		require.Greater(t, p90, 34.0, "the rest waits for the restart")
		for day := 20.0; day <= 34; day += 0.5 {
			require.InDelta(t, 0.5, law.Chance(day, b), 1e-12)
		}
		require.Greater(t, law.Chance(34.5, b), 0.6)
	})
	// Surely used up before the shutdown: one date for all three.
	both(t, with(10, 0.01, 60, 20, 14), func(t *testing.T, law depletion.Law) {
		today := civil.New(2026, 6, 1)
		p10, p50, p90 := law.Range(depletion.Budget{Mean: 198})
		require.Equal(t, civil.New(2026, 6, 20), depletion.DateAt(today, p10))
		require.Equal(t, depletion.DateAt(today, p10), depletion.DateAt(today, p50))
		require.Equal(t, depletion.DateAt(today, p10), depletion.DateAt(today, p90))
	})
	// Without any scatter all three are one moment.
	both(t, with(10, 0, 60, 20, 14), func(t *testing.T, law depletion.Law) {
		p10, p50, p90 := law.Range(depletion.Budget{Mean: 200})
		for _, p := range []float64{p10, p50, p90} {
			require.InDelta(t, 20, p, 1e-9)
		}
	})
}

func TestEdgeNoScatter(t *testing.T) {
	both(t, steady(10, 0, 50), func(t *testing.T, law depletion.Law) {
		b := depletion.Budget{Mean: 123}
		p10, p50, p90 := law.Range(b)
		require.InDelta(t, 12.3, p10, 1e-9)
		require.InDelta(t, 12.3, p50, 1e-9)
		require.InDelta(t, 12.3, p90, 1e-9)
		require.Zero(t, law.Chance(12.29, b))
		require.Equal(t, 1.0, law.Chance(12.31, b))
	})
}

// A date beyond the horizon is no date; the chance within it is still right.
func TestEdgeHorizon(t *testing.T) {
	both(t, steady(10, 100, 50), func(t *testing.T, law depletion.Law) {
		b := depletion.Budget{Mean: 500}
		p10, p50, p90 := law.Range(b)
		require.Less(t, p10, 50.0)
		require.InDelta(t, 50, p50, 1e-9)
		require.True(t, math.IsInf(p90, 1))
		require.InDelta(t, 0.5, law.Chance(50, b), 1e-12)
		require.Equal(t, law.Chance(50, b), law.Chance(1e9, b), "no more is known")
	})
}

// Dates over a leap day, and over one that a century has not.
func TestEdgeLeapDay(t *testing.T) {
	for _, c := range [][2]string{
		{"2028-02-27", "2028-02-29"}, {"2027-02-27", "2027-03-01"}, {"2100-02-27", "2100-03-01"}, {"2400-02-27", "2400-02-29"},
	} {
		today, err := civil.Parse(c[0])
		require.NoError(t, err)
		got := depletion.DateAt(today, 2.5)
		require.Equal(t, c[1], got.String())
		require.Equal(t, 3.0, depletion.EndOf(today, got))
	}
}

// A mixture's quantile is the first moment at which its chance is reached,
// whatever the curves, jumps of duty known exactly included.
func TestEdgeMixtureQuantileIsTheFirstMoment(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "days")
		var m depletion.Mixture
		for range rapid.IntRange(2, 4).Draw(t, "curves") {
			c := depletion.Curve{Mean: []float64{0}, Var: []float64{0}}
			scatter := rapid.SampledFrom([]float64{0, 1e-6, 1, 50}).Draw(t, "scatter")
			for k := range n {
				mean := rapid.SampledFrom([]float64{0, 4, 10, 24}).Draw(t, "mean")
				c.Mean = append(c.Mean, c.Mean[k]+mean)
				c.Var = append(c.Var, c.Var[k]+scatter*mean/10)
			}
			m.Curves, m.Weights = append(m.Curves, c), append(m.Weights, rapid.Float64Range(0.05, 1).Draw(t, "weight"))
		}
		sum := 0.0
		for _, w := range m.Weights {
			sum += w
		}
		for i := range m.Weights {
			m.Weights[i] /= sum
		}
		b := depletion.Budget{Mean: rapid.Float64Range(0.5, 400).Draw(t, "budget"), Var: rapid.SampledFrom([]float64{0, 9}).Draw(t, "variance")}
		p := rapid.Float64Range(0.02, 0.98).Draw(t, "p")
		q, ok := m.Quantile(p, b)
		if !ok {
			require.Less(t, m.Chance(float64(n), b), p+1e-9)
			return
		}
		require.GreaterOrEqual(t, m.Chance(q+1e-9, b), p-1e-6)
		if q > 1e-6 {
			require.Less(t, m.Chance(q-1e-6, b), p+1e-9)
		}
	})
}
