package reservoir_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/drift"
	"dwindle/forecast/reservoir"
)

// deviating simulates a fill of 300 cm3 with 1 cm3 a day but on Sundays, and a
// level each evening.
func deviating(seed uint64, factor func(day int) float64) []reservoir.Step {
	r := rand.New(rand.NewPCG(seed, 11))
	left := 300.0
	var steps []reservoir.Step
	for day := range 250 {
		told := 1.0
		if day%7 == 6 {
			told = 0
		}
		left -= told * factor(day) * (1 + 0.05*r.NormFloat64())
		steps = append(steps, reservoir.Step{Commanded: told, HasLevel: true, Level: math.Round((left+r.NormFloat64())/1.25) * 1.25, Scale: 1.25, Noise: 1})
	}
	return steps
}

// On a sound pump innovations are white with variance 1, on none but days with
// command; where half goes out they are above 0, and a pair of cumulative sums
// finds it.
func TestDeviations(t *testing.T) {
	p := reservoir.Params{Capacity: 300, FillSD: 3, Scatter: 0.0025, FactorSD: 0.1}
	var n, sum, squares, lag float64
	for seed := range uint64(40) {
		steps := deviating(seed, func(int) float64 { return 1 })
		prev := 0.0
		for _, d := range reservoir.Deviations(reservoir.Follow(p, steps), steps) {
			require.Positive(t, steps[d.Step].Commanded)
			n, sum, squares, lag = n+1, sum+d.Z, squares+d.Z*d.Z, lag+d.Z*prev
			prev = d.Z
		}
	}
	require.InDelta(t, 0, sum/n, 0.06)
	require.InDelta(t, 1, squares/n, 0.1)
	require.InDelta(t, 0, lag/squares, 0.05)

	var found []int
	for seed := range uint64(20) {
		steps := deviating(seed+100, func(day int) float64 {
			if day >= 120 {
				return 0.5
			}
			return 1
		})
		m := drift.Watch(drift.Budget{PerYear: 0.02, Samples: 365 * 6.0 / 7}.Limits(0.5, 0.25))
		at := 250
		for _, d := range reservoir.Deviations(reservoir.Follow(p, steps), steps) {
			m.Add(d.Z, steps[d.Step].Commanded)
			if a := m.Alarm(); a.Sign != 0 && at == 250 {
				require.Equal(t, 1, a.Sign)
				at = d.Step
			}
		}
		found = append(found, at-120+1)
	}
	for _, days := range found {
		require.Positive(t, days, "no alarm before the fault")
		require.LessOrEqual(t, days, 20)
	}
}

// Rounding in steps of up to three standard deviations of the noise leaves
// innovations near enough independent for charts; in ever wider ones, each
// depends more on the one before.
func TestDeviationsByScale(t *testing.T) {
	p := reservoir.Params{Capacity: 300, FillSD: 3, Scatter: 0.0025, FactorSD: 0.1}
	lag := func(scale float64) float64 {
		var squares, lag float64
		for seed := range uint64(40) {
			r := rand.New(rand.NewPCG(seed, 12))
			left := 300.0
			var steps []reservoir.Step
			for range 250 {
				left -= 0.5 * (1 + 0.05*r.NormFloat64())
				steps = append(steps, reservoir.Step{Commanded: 0.5, HasLevel: true, Level: math.Round((left+r.NormFloat64())/scale) * scale, Scale: scale, Noise: 1})
			}
			prev := 0.0
			for _, d := range reservoir.Deviations(reservoir.Follow(p, steps), steps) {
				squares, lag = squares+d.Z*d.Z, lag+d.Z*prev
				prev = d.Z
			}
		}
		return lag / squares
	}
	require.InDelta(t, 0, lag(3), 0.1)
	require.Greater(t, lag(12), 0.3)
}
