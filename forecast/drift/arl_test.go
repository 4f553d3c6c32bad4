package drift_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/drift"
)

// Run lengths of one-sided sums from zero: the integral equation solved by
// xcusum.arl of the R package spc 0.6.7; the two-sided ones at k = 0.5 and the
// delays 8.38 and 10.4 stand in textbooks too (168 and 465).
var exact = []struct {
	drift.Design
	twoSided float64             // without a shift
	at       map[float64]float64 // shift: mean delay
}{
	{drift.Design{K: 0.25, H: 8}, 368.4, map[float64]float64{0.5: 28.8, 1: 11.4, 2: 5.21}},
	{drift.Design{K: 0.5, H: 4}, 167.7, map[float64]float64{0.5: 26.6, 1: 8.38, 2: 3.34}},
	{drift.Design{K: 0.5, H: 5}, 465.4, map[float64]float64{0.5: 38.0, 1: 10.38, 2: 4.01}},
	{drift.Design{K: 0.5, H: 8}, 9483, map[float64]float64{0.5: 84.0, 1: 16.4, 2: 6.01}},
	{drift.Design{K: 0.75, H: 4}, 1002, map[float64]float64{0.5: 77.0, 1: 13.3, 2: 3.91}},
	{drift.Design{K: 1, H: 4}, 7256, map[float64]float64{0.5: 335, 1: 26.7, 2: 4.75}},
}

// runLengths simulates how long sums run until they pass their limit.
func runLengths(d drift.Design, shift float64, both bool, runs int) (mean, se float64) {
	r := rand.New(rand.NewPCG(17, math.Float64bits(d.K+10*d.H+1000*shift)))
	var sum, squares float64
	for range runs {
		p := drift.Pair{Design: d}
		n := 0.0
		for p.High.C <= d.H && (!both || p.Low.C <= d.H) {
			z := shift + r.NormFloat64()
			if both {
				p.Add(z)
			} else {
				p.High.Add(z, d.K)
			}
			n++
		}
		sum, squares = sum+n, squares+n*n
	}
	mean = sum / float64(runs)
	return mean, math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs))
}

// 2000 simulated runs each, within three standard errors and half of the last
// digit of the table.
func TestRunLengthsBySimulation(t *testing.T) {
	for _, c := range exact {
		mean, se := runLengths(c.Design, 0, true, 2000)
		require.InDelta(t, c.twoSided, mean, 3*se+0.5, "two-sided, k %g h %g", c.K, c.H)
		for shift, want := range c.at {
			mean, se := runLengths(c.Design, shift, false, 2000)
			require.InDelta(t, want, mean, 3*se+0.005*want, "k %g h %g shift %g", c.K, c.H, shift)
		}
	}
}

// Siegmund's approximation against the same table.
func TestRunLengthFormula(t *testing.T) {
	for _, c := range exact {
		require.InEpsilon(t, c.twoSided, drift.RunLength(c.Design, 0)/2, 0.07, "k %g h %g", c.K, c.H)
		for shift, want := range c.at {
			require.InEpsilon(t, want, drift.RunLength(c.Design, shift), 0.05, "k %g h %g shift %g", c.K, c.H, shift)
		}
	}
	// Without drift it is the square of the widened limit.
	require.InDelta(t, math.Pow(5+1.166, 2), drift.RunLength(drift.Design{K: 0.5, H: 5}, 0.5), 1e-6)
}

// Limits by budget: false alarms per point-year, daily samples, two sides, so
// that each runs 730/f samples. The limits were found by inverting the exact run
// length with the R package spc; Siegmund's are lower by up to 0.03, by less for
// small k.
func TestLimitsOfABudget(t *testing.T) {
	for _, c := range []struct{ budget, samples, k, h float64 }{
		{1, 365, 0.25, 7.98}, {0.1, 365, 0.25, 12.49}, {0.05, 365, 0.25, 13.87}, {0.02, 365, 0.25, 15.69}, {0.01, 365, 0.25, 17.08},
		{1, 365, 0.5, 4.76}, {0.1, 365, 0.5, 7.05}, {0.05, 365, 0.5, 7.74}, {0.02, 365, 0.5, 8.65}, {0.01, 365, 0.5, 9.35},
		{0.005, 365, 0.5, 10.04}, {0.0025, 365, 0.5, 10.73},
		{0.1, 52, 0.5, 5.11}, {0.1, 52, 1, 2.68}, {0.02, 52, 0.5, 6.71}, {0.02, 52, 1, 3.49}, {0.01, 52, 0.5, 7.40}, {0.01, 52, 1, 3.83},
	} {
		b := drift.Budget{PerYear: c.budget, Samples: c.samples}
		got := b.Limits(c.k)[0].H
		require.InDelta(t, c.h-0.03*c.k*c.k, got, 0.015, "%+v", c)
		// Inverting is what it says it is.
		require.InEpsilon(t, 2*c.samples/c.budget, drift.RunLength(drift.Design{K: c.k, H: got}, 0), 1e-9)
	}
	// Two charts on one budget: half for each.
	both := drift.Budget{PerYear: 0.02, Samples: 365}.Limits(0.5, 0.25)
	require.InDelta(t, 9.35, both[0].H, 0.015)
	require.InDelta(t, 17.08, both[1].H, 0.015)
	for _, bad := range [][2]float64{{0, 100}, {-1, 100}, {0.5, 0}, {0.5, -3}, {0.5, math.Inf(1)}, {math.NaN(), 5}, {0.5, math.NaN()}} {
		require.Zero(t, drift.Limit(bad[0], bad[1]))
	}
}

// The budget holds for the monitor as it is used: two charts, two sides, a head
// start at each of twelve changes a year. Confirmation makes alarms a little
// rarer than the limits say.
func TestTheBudgetHolds(t *testing.T) {
	for _, starts := range []float64{0, 12} {
		t.Run(fmt.Sprintf("%g changes a year", starts), func(t *testing.T) {
			const perYear, years = 1.0, 3000
			head := 0.5
			designs := drift.Budget{PerYear: perYear, Samples: 360, Starts: starts, Head: head}.Limits(0.5, 0.25)
			r := rand.New(rand.NewPCG(23, uint64(starts)))
			alarms := 0
			m := drift.Watch(designs)
			for day := range years * 360 {
				if starts > 0 && day%30 == 0 {
					m.Reset(head)
				}
				m.Add(r.NormFloat64(), 1)
				if m.Alarm().Sign != 0 {
					alarms++
					m.Reset(0)
				}
			}
			got := float64(alarms) / years
			se := math.Sqrt(got / years)
			require.Less(t, got, perYear+3*se)
			require.Greater(t, got, 0.5*perYear, "what is not spent is given away as delay")
		})
	}
}

// Under heavy tails the bound on one sample keeps the rate of false alarms near
// the budget: unit-variance t with five degrees of freedom.
func TestHeavyTails(t *testing.T) {
	r := rand.New(rand.NewPCG(31, 1))
	const years = 4000
	count := func(add func(m *drift.Monitor, z float64)) int {
		m := drift.Watch(drift.Budget{PerYear: 0.1, Samples: 365}.Limits(0.5))
		alarms := 0
		for range years * 365 {
			var chi float64
			for range 5 {
				x := r.NormFloat64()
				chi += x * x
			}
			add(&m, r.NormFloat64()/math.Sqrt(chi/5)*math.Sqrt(3.0/5))
			if m.Charts[0].High.C > m.Charts[0].H || m.Charts[0].Low.C > m.Charts[0].H {
				alarms++
				m.Reset(0)
			}
		}
		return alarms
	}
	bare := count(func(m *drift.Monitor, z float64) { m.Charts[0].Add(z) })
	clipped := count(func(m *drift.Monitor, z float64) { m.Add(z, 1) })
	require.Greater(t, bare, 2*clipped)
	require.Less(t, float64(clipped)/years, 0.2)
}

func TestEvidenceGrowsWithTheBudgetSpared(t *testing.T) {
	daily := drift.Budget{PerYear: 0.02, Samples: 365}.Evidence()
	require.InDelta(t, math.Log(365/0.02/4), daily, 1e-12)
	weekly := drift.Budget{PerYear: 0.02, Samples: 52}.Evidence()
	require.InDelta(t, math.Log(365.0/52), daily-weekly, 1e-12)
	require.Zero(t, drift.Budget{PerYear: 100, Samples: 1}.Evidence())
}
