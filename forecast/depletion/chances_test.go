package depletion_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"dwindle/forecast/depletion"
)

// Many chances at once are the chances one by one.
func TestChancesAreThoseOneByOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCurve(t)
		other := depletion.Curve{Mean: slices.Clone(c.Mean), Var: slices.Clone(c.Var)}
		for i := range other.Mean {
			other.Mean[i] *= 1.3
			other.Var[i] += float64(i)
		}
		mixture := depletion.Mixture{Curves: []depletion.Curve{c, other, c}, Weights: []float64{.25, .75, 0}}
		moved := depletion.Levels{Low: .05, Mid: .45, High: .97}
		budget := depletion.Budget{
			Mean: rapid.SampledFrom([]float64{-1, 0, 0.5, 40, 300, 700}).Draw(t, "budget"),
			Var:  rapid.SampledFrom([]float64{0, 25, -1}).Draw(t, "budget variance"),
		}
		times := rapid.SliceOf(rapid.Float64Range(-1, 70)).Draw(t, "times")
		slices.Sort(times)
		into := make([]float64, len(times))
		for _, law := range []depletion.Law{c, mixture, depletion.Mixture{},
			depletion.Calibrated{Mixture: mixture, Levels: [depletion.Horizons]depletion.Levels{moved, moved, depletion.Plain}},
		} {
			law.(depletion.Many).Chances(times, budget, into)
			for i, at := range times {
				if want := law.Chance(at, budget); into[i] < want-1e-14 || into[i] > want+1e-14 {
					t.Fatalf("%T at %g: %g, one by one %g", law, at, into[i], want)
				}
			}
		}
	})
}
