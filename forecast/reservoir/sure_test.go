package reservoir_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/reservoir"
)

// How sure the filter says it is, against the truth of simulated sound plants:
// pumps that differ by 5 %, fills by 2 %, a level a day, with and without a
// change that nobody recorded. The square of what is left less the truth over
// its standard deviation is 1 on average, as is that of the innovations.
func TestFilterIsAsSureAsItSays(t *testing.T) {
	seed := uint64(940)
	points := 300
	if *wide {
		seed, points = 3000, 3000
	}
	for _, g := range append(gaugeKinds, gaugeKind{"fine", 0.1, 0.6}) {
		for _, refill := range []bool{false, true} {
			var z2, nis, in80, f2, bias float64
			n, found := 0, 0
			for i := range points {
				r := rand.New(rand.NewPCG(seed, uint64(i)))
				left, factor := 125*(1+0.02*r.NormFloat64()), 1+0.05*r.NormFloat64()
				p := reservoir.Params{Capacity: 125, FillSD: 2.5, Scatter: 0.0025, FactorSD: 0.05}
				days, at := 20+r.IntN(90), -1
				if refill {
					at, days = 60+r.IntN(30), 93+r.IntN(60)
				}
				var steps []reservoir.Step
				for d := range days {
					if d == at {
						left = 125 * (1 + 0.02*r.NormFloat64())
					}
					told := 0.25 * math.Round(8*r.Float64())
					left -= told * factor * (1 + 0.1*r.NormFloat64()/math.Sqrt(math.Max(1, told/0.25)))
					l := math.Round((left+g.noise*r.NormFloat64())/g.step) * g.step
					steps = append(steps, reservoir.Step{Commanded: told, HasLevel: true, Level: l, Scale: g.step, Noise: g.noise})
				}
				tr := reservoir.Follow(p, steps)
				if refill && len(tr.Rises) != 1 {
					continue
				}
				e := tr.Estimate
				z := (e.Remaining - left) / math.Sqrt(e.VarR)
				z2, bias, n = z2+z*z, bias+z, n+1
				if math.Abs(z) < 1.2816 {
					in80++
				}
				f2 += (e.Factor - factor) * (e.Factor - factor) / e.VarF
				nis += tr.NIS
				found++
			}
			k := float64(n)
			t.Logf("%-10s refilled %-5v: z^2 of what is left %.2f, bias %.2f sd, within 80 %% range %.2f; z^2 of the factor %.2f; NIS %.2f; %d of %d", g.name, refill, z2/k, bias/k, in80/k, f2/k, nis/k, found, points)
			require.GreaterOrEqual(t, found, points*98/100, "%s: changes that nobody recorded and that were found", g.name)
			require.InDelta(t, 1, z2/k, 0.35, g.name)
			require.InDelta(t, 0, bias/k, 0.25, g.name)
			require.InDelta(t, 0.8, in80/k, 0.08, g.name)
			require.InDelta(t, 1, nis/k, 0.2, g.name)
			// The factor may wander in the filter and does not here.
			require.Less(t, f2/k, 1.2, g.name)
		}
	}
}

// A level that was never changed must not pass for one: sound plants and every
// fault, on any scale, with silences of weeks, now and then a wild level, and
// levels that go on to read empty. The filter decides step by step, so that the
// rises of a whole fill are all that were ever said in it.
func TestNoChangeThatWasNotMade(t *testing.T) {
	seed := uint64(950)
	points := 100
	if *wide {
		seed, points = 3100, 2000
	}
	for _, g := range append(gaugeKinds, gaugeKind{"fine", 0.1, 0.6}) {
		said, fills, wild := 0, 0, 0
		for k, f := range append([]fault{{"sound", 1, nil}}, faults...) {
			for i := range points {
				r := rand.New(rand.NewPCG(seed+uint64(k), uint64(i)))
				left, sound := 125*(1+0.02*r.NormFloat64()), 1+0.05*r.NormFloat64()
				daily, onset, silent := 0.4+1.6*r.Float64(), 10+r.IntN(60), 20+r.IntN(100)
				var steps []reservoir.Step
				for d := range 180 {
					told := 0.0
					if d%7 < 6 {
						told = daily * 7 / 6 * (1 + 0.2*r.NormFloat64())
					}
					told = math.Max(0, told)
					factor := sound
					if d >= onset {
						factor *= f.factor
					}
					left = math.Max(0, left-told*factor*(1+0.05*r.NormFloat64()))
					l := math.Max(0, math.Round((left+g.noise*r.NormFloat64())/g.step)*g.step)
					if r.IntN(200) == 0 {
						l, wild = 125*r.Float64(), wild+1
					}
					s := reservoir.Step{Commanded: told, HasLevel: d < silent || d > silent+25, Level: l, Scale: g.step, Noise: g.noise}
					steps = append(steps, s)
				}
				fills++
				tr := reservoir.Follow(reservoir.Params{Capacity: 125, FillSD: 2.5, Scatter: 0.0025, FactorSD: 0.05}, steps)
				said += len(tr.Rises)
			}
		}
		t.Logf("%-10s %d rises said in %d fills of 180 days with %d wild levels, none was", g.name, said, fills, wild)
		require.LessOrEqual(t, said, fills/500, g.name)
	}
}
