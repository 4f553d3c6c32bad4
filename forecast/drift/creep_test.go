package drift_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/drift"
)

// What a point is told of its own: nothing of a dip that all have, the onset
// within days of a creep that it alone has.
func TestCreeping(t *testing.T) {
	designs := drift.Budget{PerYear: 0.02, Samples: 365}.Limits(0.5, 0.25)
	look := func(z [][]float64) map[int]drift.Shift {
		median, _ := drift.Common(z, 5)
		found := map[int]drift.Shift{}
		for i, row := range drift.Own(z, median) {
			if s, ok := drift.Creeping(row, designs, 0); ok {
				found[i] = s
			}
		}
		return found
	}
	dip := func(d int) float64 {
		if d >= 20 {
			return 1.2
		}
		return 0
	}
	for seed := uint64(1); seed <= 10; seed++ {
		z := site(15, 60, seed, dip)
		require.Empty(t, look(z), "seed %d", seed)
		for d := 15; d < 60; d++ {
			z[3][d] += 0.1 * float64(d-15) // up to 4.4 standard deviations
			z[4][d] -= 0.1 * float64(d-15)
		}
		for d := 2; d < 60; d += 7 { // Sundays
			z[3][d] = none
		}
		found := look(z)
		require.Len(t, found, 2, "seed %d", seed)
		require.Equal(t, 1, found[3].Sign)
		require.Equal(t, -1, found[4].Sign)
		for _, i := range []int{3, 4} {
			require.InDelta(t, 15, found[i].Since, 12, "seed %d", seed)
			require.Greater(t, found[i].Found, found[i].Since)
			require.LessOrEqual(t, found[i].Found, 50)
		}
	}
	for _, z := range [][]float64{nil, {none, none}, {4}} {
		_, ok := drift.Creeping(z, designs, 0.5)
		require.False(t, ok)
	}
	s, ok := drift.Creeping([]float64{none, 3, 3, 3, 3, 3, 3}, designs, 0)
	require.True(t, ok)
	require.Equal(t, drift.Shift{Sign: 1, Since: -1, Found: 4}, s, "2.5 a day pass 9.34 with the fourth, of which three passed half")
}

// A point whose last 60 days are looked at every day: no more than the budget
// of 0.02 notices per point-year begin, in 2000 point-years.
func TestCreepingKeepsTheBudget(t *testing.T) {
	const years, window = 2000, 60
	designs := drift.Budget{PerYear: 0.02, Samples: 365}.Limits(0.5, 0.25)
	r := rand.New(rand.NewPCG(77, 1))
	z := make([]float64, years*365)
	for i := range z {
		z[i] = r.NormFloat64()
	}
	began, was := 0, false
	running := drift.Watch(designs)
	for d := range z {
		running.Add(z[d], 1)
		if d < window {
			continue
		}
		// A chart that begins later is never above one that began before, so that
		// only days near an alarm of the running one need the window.
		near := false
		for _, c := range running.Charts {
			near = near || c.High.C > 0.5*c.H || c.Low.C > 0.5*c.H
		}
		ok := false
		if near {
			_, ok = drift.Creeping(z[d-window+1:d+1], designs, 0)
		}
		if ok && !was {
			began++
		}
		was = ok
	}
	t.Logf("%d notices in %d point-years", began, years)
	require.Less(t, began, 40+3*6)
	require.Positive(t, began, "what is not spent is given away as delay")
}
