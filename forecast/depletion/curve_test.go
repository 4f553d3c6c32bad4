package depletion_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config/civil"
	"dwindle/forecast/depletion"
)

// steady is a curve of equal independent days.
func steady(mean, variance float64, days int) depletion.Curve {
	c := depletion.Curve{Mean: make([]float64, days+1), Var: make([]float64, days+1)}
	for k := range c.Mean {
		c.Mean[k], c.Var[k] = mean*float64(k), variance*float64(k)
	}
	return c
}

// Day 1 is a Monday; Mon-Fri 16 h sd 3, Sat 6 sd 4, Sun 0; budget 1000 h known
// exactly. Expected figures computed with SciPy 1.10.1 from the normal
// distribution of the sum.
func TestWeeklyPatternWithoutParameterUncertainty(t *testing.T) {
	c := depletion.Curve{Mean: []float64{0}, Var: []float64{0}}
	for day := range 120 {
		m, v := 16.0, 9.0
		switch day % 7 {
		case 5:
			m, v = 6, 16
		case 6:
			m, v = 0, 0
		}
		c.Mean = append(c.Mean, c.Mean[day]+m)
		c.Var = append(c.Var, c.Var[day]+v)
	}
	require.Equal(t, 1048.0, c.Mean[85])
	require.Equal(t, 741.0, c.Var[85])
	b := depletion.Budget{Mean: 1000}
	for i, want := range []float64{.072526, .200978, .410172, .646575, .834392, .881547, .881547, .961077, .990279} {
		require.InDelta(t, want, c.Chance(float64(78+i), b), 5e-7, "day %d", 78+i)
	}
	today := civil.New(2026, 6, 1) // a Monday, day 1
	for p, day := range map[float64]int{0.1: 79, 0.5: 81, 0.9: 85} {
		got, ok := c.Quantile(p, b)
		require.True(t, ok)
		require.Equal(t, day, int(math.Ceil(got)), "p %g", p)
		require.Equal(t, today+civil.Date(day-1), depletion.DateAt(today, got))
	}
	p10, p50, p90 := c.Range(b)
	require.Equal(t, []int{79, 81, 85}, []int{int(math.Ceil(p10)), int(math.Ceil(p50)), int(math.Ceil(p90))})
}

// Budget 1000, mean 20, sd 5 a day: the normal-sum distribution at 46, 48, 50,
// 52 and 54 days, computed with R 4.2.2.
func TestEqualIndependentDays(t *testing.T) {
	c := steady(20, 25, 100)
	for i, want := range []float64{.0091603677, .1241065395, .5, .8663712534, .9852718072} {
		require.InDelta(t, want, c.Chance(float64(46+2*i), depletion.Budget{Mean: 1000}), 5e-11)
	}
}

func TestCurveEdges(t *testing.T) {
	c := steady(10, 4, 50)
	exact := depletion.Budget{Mean: 95}
	t.Run("already empty", func(t *testing.T) {
		for _, left := range []float64{0, -3} {
			d, ok := c.Quantile(0.1, depletion.Budget{Mean: left})
			require.True(t, ok)
			require.Zero(t, d)
			require.Equal(t, 1.0, c.Chance(0, depletion.Budget{Mean: left}))
		}
	})
	t.Run("beyond the horizon", func(t *testing.T) {
		_, ok := c.Quantile(0.9, depletion.Budget{Mean: 600})
		require.False(t, ok)
		p10, _, p90 := c.Range(depletion.Budget{Mean: 500})
		require.Less(t, p10, 50.0)
		require.True(t, math.IsInf(p90, 1))
	})
	t.Run("no use at all", func(t *testing.T) {
		idle := steady(0, 0, 50)
		_, ok := idle.Quantile(0.01, exact)
		require.False(t, ok)
		require.Zero(t, idle.Chance(50, exact))
	})
	t.Run("known exactly", func(t *testing.T) {
		sure := steady(10, 0, 50)
		for _, p := range []float64{0.1, 0.5, 0.9} {
			d, ok := sure.Quantile(p, exact)
			require.True(t, ok)
			require.InDelta(t, 9.5, d, 1e-12)
		}
		require.Zero(t, sure.Chance(9.49, exact))
		require.Equal(t, 1.0, sure.Chance(9.51, exact))
	})
	t.Run("empty curve", func(t *testing.T) {
		_, ok := depletion.Curve{}.Quantile(0.5, exact)
		require.False(t, ok)
		require.Zero(t, depletion.Curve{}.Chance(3, exact))
	})
	t.Run("unusable numbers", func(t *testing.T) {
		for _, b := range []depletion.Budget{{Mean: math.NaN()}, {Mean: math.Inf(1)}, {Mean: 5, Var: -1}, {Mean: 5, Var: math.NaN()}} {
			_, ok := c.Quantile(0.5, b)
			require.False(t, ok)
			require.Zero(t, c.Chance(3, b))
		}
		for _, p := range []float64{0, 1, -1, math.NaN()} {
			_, ok := c.Quantile(p, exact)
			require.False(t, ok)
		}
	})
	t.Run("budget that may be used up already", func(t *testing.T) {
		d, ok := c.Quantile(0.1, depletion.Budget{Mean: 1, Var: 100})
		require.True(t, ok)
		require.Zero(t, d)
	})
}

// A shutdown that starts when the budget is reached leaves the distribution
// flat: the first day that reaches the level counts, not the restart.
func TestFlatSpotGivesFirstDayReached(t *testing.T) {
	c := depletion.Curve{Mean: []float64{0, 10, 20, 20, 20, 30}, Var: []float64{0, 0, 0, 0, 0, 0}}
	for _, p := range []float64{0.1, 0.5, 0.9} {
		d, ok := c.Quantile(p, depletion.Budget{Mean: 20})
		require.True(t, ok)
		require.Equal(t, 2.0, d)
	}
	d, ok := c.Quantile(0.5, depletion.Budget{Mean: 20.5})
	require.True(t, ok)
	require.InDelta(t, 4.05, d, 1e-12)
}

func drawCurve(t *rapid.T) depletion.Curve {
	n := rapid.IntRange(1, 60).Draw(t, "days")
	c := depletion.Curve{Mean: make([]float64, n+1), Var: make([]float64, n+1)}
	for k := 1; k <= n; k++ {
		c.Mean[k] = c.Mean[k-1] + rapid.Float64Range(0, 24).Draw(t, "mean")
		c.Var[k] = c.Var[k-1] + rapid.Float64Range(0, 400).Draw(t, "variance")
	}
	c.DF = rapid.SampledFrom([]float64{0, 3, 7.5, 60, 1e7}).Draw(t, "degrees")
	return c
}

func TestChanceRisesAndQuantilesAreOrdered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCurve(t)
		b := depletion.Budget{Mean: rapid.Float64Range(0.1, 700).Draw(t, "budget"), Var: rapid.SampledFrom([]float64{0, 25}).Draw(t, "budget variance")}
		last := 0.0
		for at := 0.0; at <= float64(c.Days()); at += 0.37 {
			p := c.Chance(at, b)
			if p < last || p > 1 {
				t.Fatalf("chance %g at %g after %g", p, at, last)
			}
			last = p
		}
		before := 0.0
		for _, p := range []float64{0.02, 0.1, 0.5, 0.8, 0.9, 0.99} {
			d, ok := c.Quantile(p, b)
			if !ok {
				d = math.Inf(1)
			}
			if d < before-1e-12 {
				t.Fatalf("quantile %g at %g is earlier than %g", p, d, before)
			}
			before = d
			if ok && d > 0 && c.Chance(d+1e-6, b) < p-1e-6 {
				t.Fatalf("chance %g at the quantile of %g", c.Chance(d, b), p)
			}
			if later, ok2 := c.Quantile(p, depletion.Budget{Mean: b.Mean * 1.1, Var: b.Var}); ok2 && later < d-1e-9 {
				t.Fatalf("more budget is earlier: %g before %g", later, d)
			}
		}
	})
}

func TestScaleDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCurve(t)
		b := depletion.Budget{Mean: rapid.Float64Range(1, 300).Draw(t, "budget")}
		k := rapid.Float64Range(0.001, 1000).Draw(t, "scale")
		s := depletion.Curve{Mean: make([]float64, len(c.Mean)), Var: make([]float64, len(c.Var)), DF: c.DF}
		for i := range c.Mean {
			s.Mean[i], s.Var[i] = k*c.Mean[i], k*k*c.Var[i]
		}
		for _, p := range []float64{0.1, 0.5, 0.9} {
			want, ok := c.Quantile(p, b)
			got, ok2 := s.Quantile(p, depletion.Budget{Mean: k * b.Mean})
			if ok && ok2 && math.Abs(got-want) > 1e-6 {
				t.Fatalf("p %g: %g against %g", p, got, want)
			}
		}
	})
}

func TestDates(t *testing.T) {
	today := civil.New(2028, 2, 28) // leap year
	require.Equal(t, today, depletion.DateAt(today, 0))
	require.Equal(t, today, depletion.DateAt(today, 0.4))
	require.Equal(t, today, depletion.DateAt(today, 1))
	require.Equal(t, "2028-02-29", depletion.DateAt(today, 1.001).String())
	require.Equal(t, "2028-03-01", depletion.DateAt(today, 3).String())
	require.Equal(t, today, depletion.DateAt(today, math.NaN()))
	require.Equal(t, 3.0, depletion.EndOf(today, civil.New(2028, 3, 1)))
	require.Negative(t, depletion.EndOf(today, today-1))
	require.Zero(t, steady(1, 1, 9).Chance(depletion.EndOf(today, today-1), depletion.Budget{Mean: 1}))
	require.InDelta(t, 0.1, depletion.Elapsed(0.4, 0.25), 1e-15)
	require.InDelta(t, 1.75, depletion.Elapsed(2.5, 0.25), 1e-15)
}
