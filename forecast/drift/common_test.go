package drift_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/drift"
)

var none = math.NaN()

func TestCommonIsTheMedianOfTheDay(t *testing.T) {
	z := [][]float64{{1, none, 5}, {2, 9, 4}, {3, 9, 3}, {4, 9}, {50, 9, 1}, {none, none, 2}}
	m, n := drift.Common(z, 5)
	require.Equal(t, []int{5, 4, 5}, n)
	require.Equal(t, 3.0, m[0])
	require.True(t, math.IsNaN(m[1]), "four points do not stand for all")
	require.Equal(t, 3.0, m[2])
	own := drift.Own(z, m)
	require.Equal(t, 47.0, own[4][0])
	require.Equal(t, 9.0, own[4][1], "nothing common is known, nothing taken off")
	require.True(t, math.IsNaN(own[0][1]))
	require.Equal(t, 50.0, z[4][0], "what came in stays as it was")
	empty, _ := drift.Common(nil, 5)
	require.Empty(t, empty)
}

// site simulates the z of points over days; shift is added to all of them, by
// day.
func site(points, days int, seed uint64, shift func(day int) float64) [][]float64 {
	z := make([][]float64, points)
	for i := range z {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		z[i] = make([]float64, days)
		for d := range z[i] {
			z[i][d] = r.NormFloat64() + shift(d)
		}
	}
	return z
}

// Cold thickens grease everywhere: no point is blamed for what all have, one
// that has its own fault still is, and the fleet's notice says since when.
func TestCommonCauseIsTakenOff(t *testing.T) {
	cold := func(d int) float64 {
		if d >= 60 && d < 120 {
			return 1
		}
		return 0
	}
	z := site(15, 200, 5, cold)
	for d := 130; d < 200; d++ {
		z[3][d] += 1.2
	}
	designs := drift.Budget{PerYear: 0.02, Samples: 365}.Limits(0.5, 0.25)
	blamed := func(rows [][]float64) (who []int) {
		for i, row := range rows {
			m := drift.Watch(designs)
			was := false
			for _, x := range row {
				m.Add(x, 1)
				was = was || m.Alarm().Sign != 0
			}
			if was {
				who = append(who, i)
			}
		}
		return who
	}
	median, count := drift.Common(z, 5)
	require.Len(t, blamed(z), 15, "without it the cold would blame them all")
	require.Equal(t, []int{3}, blamed(drift.Own(z, median)))

	s, ok := drift.Shared(median[:100], count)
	require.True(t, ok)
	require.Equal(t, 1, s.Sign)
	require.InDelta(t, 59, s.Since, 3)
	require.InDelta(t, 60, s.Found, 5)
	_, ok = drift.Shared(median, count)
	require.False(t, ok, "it is over")

	for i := range median {
		median[i] = -median[i]
	}
	s, ok = drift.Shared(median[:100], count)
	require.True(t, ok)
	require.Equal(t, -1, s.Sign)
}

// An area whose points have nothing in common gives one notice in ten years:
// the mean time between false alarms of the limit used is 3650 samples (R
// package spc 0.6.7, xewma.crit with l = 0.1). The median of eleven normals is
// near enough to normal.
func TestFalseNoticesOfAnArea(t *testing.T) {
	const years = 600
	r := rand.New(rand.NewPCG(41, 1))
	z, row := make([][]float64, 11), make([]float64, 11*365)
	for i := range z {
		z[i] = row[i*365 : (i+1)*365]
	}
	found := 0
	for range years {
		for i := range row {
			row[i] = r.NormFloat64()
		}
		median, count := drift.Common(z, 5)
		// Step by step, as a day's pass would see it: count beginnings.
		e := drift.EWMA{Weight: 0.1, L: 3.466}
		for d, m := range median {
			if e.Add(m/math.Sqrt(math.Pi/(2*float64(count[d])))) != 0 {
				found++
				break
			}
		}
	}
	rate := float64(found) / years
	require.InDelta(t, 0.1, rate, 3*math.Sqrt(0.1/years)+0.02)
}
