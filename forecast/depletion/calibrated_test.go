package depletion_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/forecast/depletion"
)

// evenLaw is duty of so much a day, with an sd of each day.
func evenLaw(perDay, sd float64, days int) depletion.Mixture {
	return depletion.Mixture{Curves: []depletion.Curve{steady(perDay, sd*sd, days)}, Weights: []float64{1}}
}

func TestWithoutLevelsALawStaysAsItIs(t *testing.T) {
	law := evenLaw(10, 4, 300)
	b := depletion.Budget{Mean: 437}
	plain := depletion.Calibrated{Mixture: law, Levels: [depletion.Horizons]depletion.Levels{depletion.Plain, depletion.Plain, depletion.Plain}}
	for _, c := range []depletion.Calibrated{{Mixture: law}, plain} {
		a1, a2, a3 := law.Range(b)
		b1, b2, b3 := c.Range(b)
		require.Equal(t, []float64{a1, a2, a3}, []float64{b1, b2, b3})
		require.Equal(t, law.Chance(45, b), c.Chance(45, b))
	}
}

func TestCalibratedQuantilesAreTheLawsAtTheMovedLevels(t *testing.T) {
	law := evenLaw(10, 4, 300)
	l := depletion.Levels{Low: 0.04, Mid: 0.45, High: 0.97}
	c := depletion.Calibrated{Mixture: law, Levels: [depletion.Horizons]depletion.Levels{l, l, l}}
	b := depletion.Budget{Mean: 300}
	lo, mid, hi := c.Range(b)
	for _, one := range []struct{ want, got float64 }{{0.04, lo}, {0.45, mid}, {0.97, hi}} {
		want, ok := law.Quantile(one.want, b)
		require.True(t, ok)
		require.InDelta(t, want, one.got, 1e-6)
	}
	require.InDelta(t, 0.1, c.Chance(lo, b), 1e-6)
	require.InDelta(t, 0.5, c.Chance(mid, b), 1e-6)
	require.InDelta(t, 0.9, c.Chance(hi, b), 1e-6)
}

func TestCalibratedLawsKeepTheOrderOfTimesAndBudgets(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		law := evenLaw(rapid.Float64Range(0.5, 30).Draw(t, "a day"), rapid.Float64Range(0.2, 20).Draw(t, "sd"), 700)
		var c depletion.Calibrated
		c.Mixture = law
		for i := range c.Levels {
			c.Levels[i] = depletion.Levels{
				Low:  rapid.Float64Range(0.01, 0.3).Draw(t, "low"),
				Mid:  rapid.Float64Range(0.35, 0.65).Draw(t, "mid"),
				High: rapid.Float64Range(0.7, 0.99).Draw(t, "high"),
			}
		}
		b := depletion.Budget{Mean: rapid.Float64Range(1, 3000).Draw(t, "budget")}
		lo, mid, hi := c.Range(b)
		require.LessOrEqual(t, lo, mid)
		require.LessOrEqual(t, mid, hi)
		last := 0.0
		for day := 0.0; day < 300; day += 7.3 {
			p := c.Chance(day, b)
			require.GreaterOrEqual(t, p, last-1e-12)
			last = p
		}
		q, ok := c.Quantile(0.25, b)
		if ok && q > 0 {
			require.InDelta(t, 0.25, c.Chance(q, b), 1e-4)
		}
	})
}

// Averaged with an unlike law of equal sharpness the range lies between, as
// sharp as they are; a mixture of both would hold both and all between.
func TestAveragedLawsKeepTheirSharpness(t *testing.T) {
	b := depletion.Budget{Mean: 400}
	fast, slow := evenLaw(10, 3, 400), evenLaw(8, 3, 400)
	c := depletion.Calibrated{Mixture: fast, Other: slow.Curves[0], Share: 0.5}
	f1, f2, f3 := fast.Range(b)
	s1, s2, s3 := slow.Range(b)
	lo, mid, hi := c.Range(b)
	require.InDelta(t, (f1+s1)/2, lo, 0.05)
	require.InDelta(t, (f2+s2)/2, mid, 0.05)
	require.InDelta(t, (f3+s3)/2, hi, 0.05)
	for _, p := range []float64{0.02, 0.1, 0.5, 0.8, 0.97} {
		q, ok := c.Quantile(p, b)
		require.True(t, ok)
		require.InDelta(t, p, c.Chance(q, b), 1e-6)
	}
	into := make([]float64, 3)
	c.Chances([]float64{lo, mid, hi}, b, into)
	require.InDeltaSlice(t, []float64{0.1, 0.5, 0.9}, into, 1e-3)
	require.Zero(t, c.Chance(0, b))
	require.Equal(t, 1.0, c.Chance(399, b))
	// What lies beyond the calendar of one lies beyond that of the average.
	short := depletion.Calibrated{Mixture: fast, Other: evenLaw(8, 3, 45).Curves[0], Share: 0.5}
	_, mid, hi = short.Range(b)
	require.True(t, math.IsInf(mid, 1) && math.IsInf(hi, 1))
}
